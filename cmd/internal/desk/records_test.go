package desk_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"
)

// TestRecords records well and badly: a bad line is named, with its field, and nothing of its call is written.
func TestRecords(t *testing.T) {
	c := newCentre(t)
	good := c.record(site, "", arrival, left)
	if len(good) != 3 || good[0].Seq != 1 || good[2].Seq != 3 || good[0].Visit != nil || good[1].Visit == nil || *good[1].Visit != *good[2].Visit {
		t.Errorf("%+v", good)
	}
	for _, x := range []struct {
		lines []string
		line  int
		field string
	}{
		{[]string{site, `{"kind":"reading.taken","machine":"m-1","body":{"quantity":"ph","value":15}}`}, 2, "body.value"},
		{[]string{`{"kind":"reading.given","body":{}}`}, 1, "kind"},
		{[]string{"", "", `{"kind":`}, 3, "column 9"},
		{[]string{site, `{"kind":"note.written","by":"O1","by":"O2","body":{"text":"x"}}`}, 2, "by"},
		{[]string{`{"kind":"note.written","machine":"m 1","body":{"text":"x"}}`}, 1, "machine"},
		{[]string{`{"kind":"record.withdrawn","body":{"target":"019e0000-0000-7000-8000-000000000000","why":"x"}}`}, 1, "body.target"},
		{[]string{`{"kind":"note.written","body":{"text":"` + strings.Repeat("x", 2<<20) + `"}}`}, 1, ""},
	} {
		status, _, body := c.do(c.request("POST", "/api/records", strings.Join(x.lines, "\n")))
		var said struct {
			Error, Field string
			Line         int
		}
		if err := json.Unmarshal([]byte(body), &said); err != nil || status != http.StatusUnprocessableEntity {
			t.Errorf("%.100q: %d %.200s (%v)", x.lines, status, body, err)
			continue
		}
		if said.Line != x.line || said.Field != x.field || !strings.HasPrefix(said.Error, fmt.Sprintf("line %d: %s", x.line, x.field)) {
			t.Errorf("%.100q: %+v", x.lines, said)
		}
	}
	if got := c.audit(); len(got) != 3 {
		t.Errorf("%d records after bad lines", len(got))
	}
	if status, _, body := c.do(c.request("POST", "/api/records", "")); status != 200 || body != "" {
		t.Errorf("no line: %d %q", status, body)
	}
}

// TestCutShort sends lines whose end does not arrive: nothing of them is written.
func TestCutShort(t *testing.T) {
	c := newCentre(t)
	conn, err := net.Dial("tcp", strings.TrimPrefix(c.at.Office, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(conn, "POST /api/records HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer %s\r\nContent-Length: %d\r\n\r\n%s\n", c.token(), len(site)*2, site)
	if err := conn.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	answer, err := io.ReadAll(conn)
	if err != nil || !strings.Contains(string(answer), " 400 ") || !strings.Contains(string(answer), "did not arrive whole; nothing was recorded") {
		t.Errorf("%v: %s", err, answer)
	}
	conn.Close()
	if got := c.audit(); len(got) != 0 {
		t.Errorf("%d records were written", len(got))
	}
}

// TestLookup lets the office correct what a device sent a moment ago: the read model is waited for.
func TestLookup(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	for i := range 20 {
		id := d.push(arrival)
		c.record(fmt.Sprintf(`{"kind":"record.withdrawn","body":{"target":%q,"why":"try %d"}}`, id, i))
	}
	for _, r := range c.audit("device", "tab-1") {
		if r.State != "withdrawn" {
			t.Errorf("record %d of the device: %s", r.Seq, r.State)
		}
	}
}

// TestJournalTrouble takes the office's journal away: the caller hears why, in words.
func TestJournalTrouble(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	// A text that is kept as evidence finds no folder.
	if err := os.RemoveAll(c.dir + "/office/evidence"); err != nil {
		t.Fatal(err)
	}
	status, _, body := c.do(c.request("POST", "/api/records", `{"kind":"note.written","body":{"text":"`+strings.Repeat("x", 200)+`"}}`))
	if status != http.StatusInternalServerError || !strings.Contains(body, "it could not be recorded: ") {
		t.Errorf("%d %s", status, body)
	}
	if got := c.audit(); len(got) != 1 {
		t.Errorf("%d records", len(got))
	}
	if !strings.Contains(c.log.String(), "/api/records") {
		t.Errorf("the log does not say it:\n%s", c.log)
	}
}

// TestEndWithRequests ends a centre while somebody is in the middle of sending lines: they are told, and nothing hangs.
func TestEndWithRequests(t *testing.T) {
	c := newCentre(t)
	conn, err := net.Dial("tcp", strings.TrimPrefix(c.at.Office, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "POST /api/records HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer %s\r\nContent-Length: 100000\r\n\r\n%s\n", c.token(), site)
	time.Sleep(100 * time.Millisecond) // until it is in the handler; no matter if not
	began := time.Now()
	if err := c.stop(); err != nil {
		t.Error(err)
	}
	if !strings.Contains(c.log.String(), "cut off") {
		t.Errorf("nothing was cut off:\n%s", c.log)
	}
	t.Logf("the end took %v", time.Since(began))
	again := serve(t, c.dir)
	if got := again.audit(); len(got) != 0 {
		t.Errorf("%d records", len(got))
	}
}
