package desk_test

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// An alarm stands on every page and in every answer, over a restart, until somebody acknowledges it by its name.
func TestAlarmIsNotMissed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "c")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	book := `{"version":1,"alarms":[{"name":"log-conflict-1","kind":"log-conflict","about":"x","what":"two <pasts>","do":"ask","since":"2026-03-02T08:10:00Z","times":1}]}`
	if err := os.WriteFile(filepath.Join(dir, "alarms.json"), []byte(book), 0o600); err != nil {
		t.Fatal(err)
	}
	c := serve(t, dir)
	c.record(site, washer)
	b := c.newBrowser()
	c.browse(b, c.newLink())
	told := func(want bool) {
		t.Helper()
		for _, path := range []string{"/", "/machines/m-1"} {
			if _, _, body := c.browse(b, path); strings.Contains(body, "Two &lt;pasts&gt;. <span class=\"small\">Since <time datetime=\"2026-03-02T08:10:00Z\">2 Mar 2026, 08:10 (UTC&#43;00:00)</time>.") != want || !wellFormed(body) {
				t.Errorf("%s: the alarm is told: %v", path, !want)
			}
		}
		if _, header, _ := c.do(c.request("GET", "/api/machine", "")); (header.Get("Ullage-Alarms") == "1") != want {
			t.Errorf("the API tells it: %v", !want)
		}
	}
	told(true)
	for body, want := range map[string]int{
		`{"name":"log-conflict-2","by":"O1"}`: http.StatusNotFound, `{"name":"log-conflict-1","by":"not a code"}`: http.StatusBadRequest, `[]`: http.StatusBadRequest,
	} {
		if status, _, answer := c.do(c.request("POST", "/api/alarms", body)); status != want {
			t.Errorf("%s: %d %s", body, status, answer)
		}
	}
	told(true)
	if status, _, answer := c.do(c.request("POST", "/api/alarms", `{"name":"log-conflict-1","by":"O1"}`)); status != http.StatusOK {
		t.Fatal(status, answer)
	}
	if status, _, answer := c.do(c.request("POST", "/api/alarms", `{"name":"log-conflict-1","by":"O1"}`)); status != http.StatusConflict || !strings.Contains(answer, "acknowledged already") {
		t.Error(status, answer)
	}
	told(false)
	if got := c.get("/api/alarms"); !strings.Contains(got, `"by":"O1"`) {
		t.Errorf("the book has %s", got)
	}
}
