package desk_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
)

var questions = []string{"/api/machine", "/api/ledger", "/api/audit", "/api/waste", "/api/due", "/api/restatements", "/api/export"}

// TestToken tries each endpoint with no token, a wrong one, and one in the wrong form.
func TestToken(t *testing.T) {
	c := newCentre(t)
	type try struct{ method, path string }
	tries := []try{{"POST", "/api/records"}, {"POST", "/api/codes"}, {"POST", "/api/links"}, {"GET", "/api/nothing"}}
	for _, path := range questions {
		tries = append(tries, try{"GET", path})
	}
	for _, x := range tries {
		for _, header := range []string{"", "Bearer ", "Bearer wrong", "Bearer " + c.token() + "x", "Basic " + c.token(), c.token()} {
			r := c.request(x.method, x.path, site)
			r.Header.Del("Authorization")
			if header != "" {
				r.Header.Set("Authorization", header)
			}
			status, _, body := c.do(r)
			if status != http.StatusUnauthorized || !strings.Contains(body, `"error"`) || strings.Contains(body, c.token()) {
				t.Errorf("%s %s with %q: %d %s", x.method, x.path, header, status, body)
			}
		}
	}
	if got := c.audit(); len(got) != 0 {
		t.Errorf("%d records were written without a token", len(got))
	}
	if log := c.log.String(); strings.Contains(log, c.token()) {
		t.Errorf("the token is in the log:\n%s", log)
	}
}

// TestForeignHost asks by names that are not this machine's, as a page from elsewhere could make a browser do.
func TestForeignHost(t *testing.T) {
	c := newCentre(t)
	for _, base := range []string{c.at.Office, c.at.Enrol} {
		for host, want := range map[string]bool{
			"": true, "localhost": true, "localhost:1": true, "[::1]:80": true, "127.0.0.1": true,
			"ullage.example": false, "ullage.example:80": false, "127.0.0.1.ullage.example": false, "127.0.0.2": false, "a@127.0.0.1": false,
			"localhost.": false, "0.0.0.0": false,
		} {
			r := c.request("GET", "/api/machine", "")
			r.URL.Scheme, r.URL.Host, _ = strings.Cut(base, "://")
			r.Host = host
			status, header, body := c.do(r)
			if (status != http.StatusMisdirectedRequest) != want {
				t.Errorf("%s as %q: %d %s", base, host, status, body)
			}
			if got := header.Get("Content-Security-Policy"); !strings.Contains(got, "default-src 'none'") || !strings.Contains(got, "frame-ancestors 'none'") {
				t.Errorf("%s as %q: policy %q", base, host, got)
			}
			if header.Get("X-Content-Type-Options") != "nosniff" || header.Get("Referrer-Policy") != "same-origin" {
				t.Errorf("%s as %q: headers %v", base, host, header)
			}
		}
	}
}

// TestTooLarge sends headers, questions and lines beyond what is taken.
func TestTooLarge(t *testing.T) {
	c := newCentre(t)
	r := c.request("GET", "/api/machine", "")
	r.Header.Set("X-Long", strings.Repeat("x", 64<<10))
	if status, _, body := c.do(r); status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("long header: %d %s", status, body)
	}
	if status, _, body := c.do(c.request("POST", "/api/codes", `{"name":"`+strings.Repeat("x", 100<<10)+`"}`)); status != http.StatusRequestEntityTooLarge {
		t.Errorf("long question: %d %s", status, body)
	}
	lines := strings.Repeat(`{"kind":"note.written","site":"s-1","by":"O1","body":{"text":"`+strings.Repeat("x", 60)+`"}}`+"\n", 600_000)
	if status, _, body := c.do(c.request("POST", "/api/records", lines)); status != http.StatusRequestEntityTooLarge || !strings.Contains(body, fmt.Sprint(64<<20)) {
		t.Errorf("%d bytes of lines: %d %s", len(lines), status, body)
	}
	if got := c.audit(); len(got) != 0 {
		t.Errorf("%d records were written", len(got))
	}
}

// TestQuestions asks each question well and badly.
func TestQuestions(t *testing.T) {
	c := newCentre(t)
	for _, path := range questions { // nothing is there yet
		body := c.get(path)
		if strings.Contains(body, "null") {
			t.Errorf("%s of nothing: %s", path, body)
		}
	}
	c.record(site, washer, arrival, left)
	for _, x := range []struct {
		path, query string
		want        []string
	}{
		{"/api/machine", "machine=m-1", []string{`{"machine":"m-1","site":"s-1","as_of":null,"known_at":null`, `"volume_l":{"value":80,"u":1,"done":"2026-03-02T10:00:00+01:00"}`, `"open_faults":[]`}},
		{"/api/machine", "", []string{`{"machines":[{"machine":"m-1"`}},
		{"/api/machine", "site=s-1", []string{`{"machines":[{"machine":"m-1"`}},
		{"/api/machine", "machine=m-1&site=s-1", []string{`{"machine":"m-1"`}},
		// Both bounds are inclusive; a date is the end of its day in UTC.
		{"/api/machine", "machine=m-1&as-of=2026-03-02T09:00:00%2B01:00", []string{`"as_of":"2026-03-02T08:00:00Z"`, `"value":100`}},
		{"/api/machine", "machine=m-1&as-of=2026-03-02T08:59:59.999%2B01:00", []string{`"volume_l":null`}},
		{"/api/machine", "machine=m-1&as-of=2026-03-02", []string{`"as_of":"2026-03-02T23:59:59.999Z"`, `"value":80`}},
		{"/api/machine", "machine=m-1&as-of=2026-03-01", []string{`"volume_l":null`}},
		{"/api/machine", "machine=m-1&known-at=2026-03-02", []string{`"records":0`}},
		{"/api/ledger", "machine=m-1", []string{`"machine":"m-1"`, `"unexplained_l":{"value":20,`, `"grade":"say"`, `"reconciled":[]`}},
		{"/api/ledger", "", []string{`{"ledgers":[{"machine":"m-1"`}},
		{"/api/audit", "machine=m-1", []string{`"state":"stands"`, `"flags":[]`, `"corrected_by":[]`, `"visit":null`}},
		{"/api/audit", "device=office-1", []string{`"device":"office-1"`}},
		{"/api/audit", "device=tab-1", []string{`{"records":[]}`}},
		{"/api/audit", "site=s-1", []string{`"name":"Quay shed"`}},
		{"/api/waste", "", []string{`{"sites":[]}`}},
		{"/api/waste", "site=s-1", []string{`{"sites":[]}`}},
		{"/api/due", "machine=m-1", []string{`{"machines":[{"machine":"m-1","due":null`}},
		{"/api/restatements", "machine=m-1", []string{`{"restatements":[]}`}},
	} {
		r := c.request("GET", x.path+"?"+x.query, "")
		status, header, body := c.do(r)
		if status != http.StatusOK || header.Get("Content-Type") != "application/json" || header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s?%s: %d %v %s", x.path, x.query, status, header, body)
		}
		for _, want := range x.want {
			if !strings.Contains(body, want) {
				t.Errorf("%s?%s: %s\nlacks %s", x.path, x.query, body, want)
			}
		}
	}
	for _, x := range []struct {
		path, query string
		status      int
		words       string
	}{
		{"/api/machine", "machine=m-9", 404, "m-9"},
		{"/api/machine", "machine=m-1&site=s-9", 404, "s-9"},
		{"/api/machine", "site=s-9", 404, "s-9"},
		{"/api/machine", "machine=%27%20OR%201=1", 404, "OR 1=1"},
		{"/api/machine", "as-of=yesterday", 400, "as-of"},
		{"/api/machine", "as-of=2026-03-02T09:00:00", 400, "zone"},
		{"/api/machine", "known-at=2026-02-30", 400, "known-at"},
		{"/api/machine", "as_of=2026-03-02", 400, "as_of"},
		{"/api/machine", "machine=m-1&machine=m-2", 400, "machine is given 2 times"},
		{"/api/machine", "machine=%zz", 400, "parameters"},
		{"/api/machine", "visit=v1", 400, "visit"},
		{"/api/ledger", "machine=m-9", 404, "m-9"},
		{"/api/ledger", "known-at=x", 400, "known-at"},
		{"/api/audit", "machine=m-9", 404, "m-9"},
		{"/api/audit", "visit=v1", 400, "UUID"},
		{"/api/audit", "visit=019e0000-0000-7000-8000-000000000000", 404, "visit 019e"},
		{"/api/audit", "site=s-9", 404, "s-9"},
		{"/api/audit", "as-of=x", 400, "as-of"},
		{"/api/waste", "site=s-9", 404, "s-9"},
		{"/api/waste", "machine=m-1", 400, "machine"},
		{"/api/due", "machine=m-9", 404, "m-9"},
		{"/api/due", "as-of=x", 400, "as-of"},
		{"/api/restatements", "machine=m-9", 404, "m-9"},
		{"/api/restatements", "site=s-1", 400, "site"},
		{"/api/export", "format=xml", 400, "xml"},
		{"/api/export", "machine=m-1", 400, "machine"},
		{"/api/nothing", "", 404, "/api/nothing"},
	} {
		status, _, body := c.do(c.request("GET", x.path+"?"+x.query, ""))
		var said struct{ Error string }
		if err := json.Unmarshal([]byte(body), &said); err != nil || status != x.status || !strings.Contains(said.Error, x.words) {
			t.Errorf("%s?%s: %d %s (%v)", x.path, x.query, status, body, err)
		}
	}
	for _, path := range append(questions, "/api/records", "/api/codes") { // neither is anything changed by a GET, nor asked by a POST
		method := "POST"
		if path == "/api/records" || path == "/api/codes" {
			method = "GET"
		}
		if status, _, body := c.do(c.request(method, path, "")); status != http.StatusNotFound {
			t.Errorf("%s %s: %d %s", method, path, status, body)
		}
	}
}

// TestCodes asks for codes well and badly.
func TestCodes(t *testing.T) {
	c := newCentre(t)
	status, _, body := c.do(c.request("POST", "/api/codes", `{"name":"tab-1"}`))
	if status != 200 || !strings.HasPrefix(body, `{"code":"U1-`) {
		t.Fatalf("%d %s", status, body)
	}
	for body, want := range map[string]struct {
		status int
		words  string
	}{
		`{"name":"tab-1"}`:         {409, "tab-1-2"},
		`{"name":"office-1"}`:      {409, "office-1"},
		`{"name":"tab 1"}`:         {400, "letters, digits"},
		`{"name":""}`:              {400, ""},
		`{"name":"_"}`:             {400, ""},
		`{"name":"a","more":1}`:    {400, "nothing else"},
		`{"Name":"tab-2"}`:         {400, "name"},
		`{"name":7}`:               {400, "name"},
		`{"name":"tab-2"} {"x":1}`: {400, "name"},
		`["tab-2"]`:                {400, "name"},
		``:                         {400, "name"},
	} {
		status, _, got := c.do(c.request("POST", "/api/codes", body))
		if status != want.status || !strings.Contains(got, want.words) || strings.Contains(got, "U1-") {
			t.Errorf("%s: %d %s", body, status, got)
		}
	}
}

// TestFresh asks right after recording: the answer has it, each time.
func TestFresh(t *testing.T) {
	c := newCentre(t)
	for i := range 30 {
		value := 100 + i
		c.record(fmt.Sprintf(`{"kind":"reading.taken","done":"2026-03-02T09:%02d:00Z","machine":"m-1","body":{"quantity":"volume","value":%d,"method":"dip"}}`, i, value))
		if got := c.get("/api/machine", "machine", "m-1"); !strings.Contains(got, fmt.Sprintf(`"volume_l":{"value":%d,`, value)) {
			t.Fatalf("after %d: %s", value, got)
		}
	}
}
