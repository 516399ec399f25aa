package officecli

import (
	"io"
	"net/http"
	"strings"
	"testing"
)

// An open alarm is told at every command, once; alarms shows it, and acknowledges it by its name.
func TestAlarms(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	var sent string
	url := centre(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Ullage-Alarms", "2")
		switch {
		case r.Method == http.MethodPost:
			b, _ := io.ReadAll(r.Body)
			sent = string(b)
			io.WriteString(w, `{"acknowledged":"log-conflict-1"}`)
		case r.URL.Path == "/api/alarms":
			io.WriteString(w, `{"alarms":[{"name":"log-conflict-1","what":"two pasts","do":"ask","since":"2026-03-02T08:10:00Z"},{"name":"log-anew-1","what":"anew","acknowledged":"2026-03-03T08:10:00Z","by":"O1"}]}`)
		default:
			io.WriteString(w, `{"machines":[]}`)
		}
	})
	at := []string{"--centre", url, "--token-file", tokenFile(t)}
	status, _, words := run("", append([]string{"machine"}, at...)...)
	if status != 0 || words != "ALARM: 2 open at the centre; see: ullage alarms\n" {
		t.Errorf("machine: %d, %q", status, words)
	}
	status, out, words := run("", append([]string{"alarms"}, at...)...)
	for _, want := range []string{"log-conflict-1, since 2026-03-02T08:10:00Z, open", "two pasts", "do: ask", "log-anew-1", "acknowledged 2026-03-03T08:10:00Z by O1"} {
		if !strings.Contains(out, want) {
			t.Errorf("alarms does not show %q:\n%s", want, out)
		}
	}
	if status != 0 || words != "" {
		t.Errorf("alarms: %d, %q", status, words)
	}
	if status, _, words := run("", append([]string{"alarms", "--acknowledge", "log-conflict-1", "--by", "O1"}, at...)...); status != 0 || sent != `{"by":"O1","name":"log-conflict-1"}` {
		t.Errorf("acknowledge: %d, %q, sent %s", status, words, sent)
	}
	if status, _, words := run("", append([]string{"alarms", "--acknowledge", "log-conflict-1"}, at...)...); status != 2 || !strings.Contains(words, "go together") {
		t.Errorf("without --by: %d, %q", status, words)
	}
}
