package desk_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/cmd/internal/desk"
	"ullage/events"
	"ullage/events/entry"
	"ullage/syncd"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

func exists(t *testing.T, path string) bool {
	t.Helper()
	_, err := os.Stat(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return err == nil
}

// TestRestart starts a centre anew: it has its ports, its token and its data.
func TestRestart(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer, arrival)
	var written syncd.Addresses
	b, err := os.ReadFile(filepath.Join(c.dir, "centre.json"))
	if err != nil || json.Unmarshal(b, &written) != nil || written != c.at {
		t.Errorf("centre.json: %v %s", err, b)
	}
	for _, a := range []string{c.at.NATS, c.at.Enrol, c.at.Office} {
		if !strings.Contains(a, "://127.0.0.1:") {
			t.Errorf("it listens at %s", a)
		}
	}
	before, token := c.get("/api/machine", "machine", "m-1"), c.token()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	if exists(t, filepath.Join(c.dir, "centre.json")) {
		t.Error("centre.json is there after the end")
	}
	// What a killed centre leaves is taken away before anything else is said.
	if err := os.WriteFile(filepath.Join(c.dir, "centre.json"), []byte(`{"office":"http://127.0.0.1:1"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	// The read model can be deleted at any time.
	if err := os.RemoveAll(filepath.Join(c.dir, "model")); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir)
	if again.at != c.at || again.token() != token {
		t.Errorf("at %+v, before at %+v", again.at, c.at)
	}
	if got := again.get("/api/machine", "machine", "m-1"); got != before {
		t.Errorf("got %s\nwant %s", got, before)
	}
	if got := again.record(left); got[0].Seq != 4 {
		t.Errorf("%+v", got)
	}
}

// failing opens and serves what must fail, and checks that nothing of it is left.
func failing(t *testing.T, dir string) error {
	t.Helper()
	c, err := syncd.Open(t.Context(), config(dir, &words{}))
	if err == nil {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		err = c.Serve(ctx, func(syncd.Addresses, string) { t.Error("it is ready"); cancel() })
		if e := c.Close(); e != nil {
			t.Errorf("close: %v", e)
		}
	}
	if err == nil {
		t.Fatal("no error")
	}
	return err
}

// TestTakenPorts takes each port from a centre: it ends with an error that names the port.
func TestTakenPorts(t *testing.T) {
	c := newCentre(t)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	for _, a := range []string{c.at.NATS, c.at.Enrol, c.at.Office} {
		_, host, _ := strings.Cut(a, "://")
		l, err := net.Listen("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		_, port, _ := net.SplitHostPort(host)
		if err := failing(t, c.dir); !strings.Contains(err.Error(), port) || !strings.Contains(err.Error(), "taken") {
			t.Errorf("%s: %v", a, err)
		}
		if exists(t, filepath.Join(c.dir, "centre.json")) {
			t.Error("centre.json is there")
		}
		l.Close()
	}
	if again := serve(t, c.dir); again.at != c.at {
		t.Errorf("at %+v, before at %+v", again.at, c.at)
	}
}

// TestBadPorts reads what is no ports.json.
func TestBadPorts(t *testing.T) {
	c := newCentre(t)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"", "{}", `{"nats":1,"enrol":2}`, `{"nats":70000,"enrol":2,"office":3}`, "[]"} {
		if err := os.WriteFile(filepath.Join(c.dir, "ports.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := failing(t, c.dir); !strings.Contains(err.Error(), "ports.json") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestTwoCentres starts a second one on the same folder: it is refused, and the first goes on as if nothing was.
func TestTwoCentres(t *testing.T) {
	c := newCentre(t)
	if err := failing(t, c.dir); !errors.Is(err, disk.ErrHeld) || !strings.Contains(err.Error(), "another centre runs on") {
		t.Errorf("%v", err)
	}
	if !exists(t, filepath.Join(c.dir, "centre.json")) {
		t.Error("the second took the first one's centre.json away")
	}
	c.record(site)
}

// TestHalfWay fails at one step after another of a start. The folder is free afterwards, and a good start finds it.
func TestHalfWay(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"streams", "model", "office/journal", "office/evidence", "ports.json", "centre.json"} {
		path = filepath.Join(c.dir, path)
		aside := path + ".aside"
		had := exists(t, path)
		if had {
			if err := os.Rename(path, aside); err != nil {
				t.Fatal(err)
			}
		}
		if filepath.Ext(path) == ".json" { // a folder where a file should be, and the other way round
			if err := os.MkdirAll(filepath.Join(path, "x"), 0o700); err != nil {
				t.Fatal(err)
			}
		} else if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %v", filepath.Base(path), failing(t, c.dir))
		if err := os.RemoveAll(path); err != nil {
			t.Fatal(err)
		}
		if had {
			if err := os.Rename(aside, path); err != nil {
				t.Fatal(err)
			}
		}
	}
	bad := errors.New("no desk today")
	cfg := config(c.dir, &words{})
	cfg.OpenDesk = func(string, trust.Device) (syncd.Desk, error) { return nil, bad }
	if _, err := syncd.Open(t.Context(), cfg); !errors.Is(err, bad) {
		t.Errorf("%v", err)
	}
	again := serve(t, c.dir)
	if got := again.audit(); len(got) != 1 || again.at != c.at {
		t.Errorf("%d records at %+v", len(got), again.at)
	}
}

// offline writes into the journal of an office whose centre does not run.
func offline(t *testing.T, dir string, lines ...string) {
	t.Helper()
	d, err := desk.Opener(slog.New(slog.DiscardHandler))(filepath.Join(dir, "office"), trust.Device{ID: "office-1", Key: make([]byte, 32)})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	w := entry.Writer{
		Device: "office-1", Office: true, Now: func() events.Millis { return events.MillisOf(time.Now()) }, Zone: func(events.Millis) int { return 0 },
		Random: func(p []byte) error { copy(p, fmt.Sprint(time.Now().UnixNano())); return nil }, Journal: d, Lookup: d, Evidence: d.Evidence(),
	}
	if _, err := w.Record(strings.NewReader(strings.Join(lines, "\n"))); err != nil {
		t.Fatal(err)
	}
}

// TestUnreceived starts a centre whose office has records that were kept and never received.
func TestUnreceived(t *testing.T) {
	c := newCentre(t)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	offline(t, c.dir, site, washer)
	offline(t, c.dir, arrival)
	again := serve(t, c.dir)
	if got := again.audit(); len(got) != 3 || got[2].Seq != 3 || got[0].Stage != "logged" {
		t.Errorf("%+v", got)
	}
	if got := again.record(left); got[0].Seq != 4 {
		t.Errorf("%+v", got)
	}
}

// TestOldJournal puts the office's journal back from a backup that is older than the streams. The office may not
// record then, for its chain would fork; devices go on.
func TestOldJournal(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	backup := filepath.Join(t.TempDir(), "office")
	if err := os.CopyFS(backup, os.DirFS(filepath.Join(c.dir, "office"))); err != nil {
		t.Fatal(err)
	}
	second := serve(t, c.dir)
	second.record(site, washer)
	if err := second.stop(); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(c.dir, "office"), filepath.Join(t.TempDir(), "away")); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(c.dir, "office"), os.DirFS(backup)); err != nil {
		t.Fatal(err)
	}
	third := serve(t, c.dir)
	for range 2 {
		status, _, body := third.do(third.request("POST", "/api/records", arrival))
		if status != http.StatusInternalServerError || !strings.Contains(body, "the stream has 3 of the office, its journal 1") {
			t.Errorf("%d %s", status, body)
		}
	}
	if status, body := third.newDevice().enrolBy(third.newCode("tab-2")); status != http.StatusServiceUnavailable {
		t.Errorf("an enrolment that cannot be written down: %d %s", status, body)
	}
	d.c = third
	d.nc.Close()
	d.connect()
	d.push(arrival)
	if got := third.audit(); len(got) != 4 {
		t.Errorf("%d records", len(got))
	}
}

// TestForkedJournal loses the journal of the office, and begins it anew beside a stream that knows the old one.
func TestForkedJournal(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(c.dir, "office")); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir) // with a journal that is made anew
	if status, _, body := again.do(again.request("POST", "/api/records", washer)); status != 500 || !strings.Contains(body, "its journal 0") {
		t.Errorf("%d %s", status, body)
	}
	if log := again.log.String(); !strings.Contains(log, "do not hold the same records") {
		t.Errorf("the log:\n%s", log)
	}
}
