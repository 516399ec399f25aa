package cluster

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/agent"
)

// loosen takes the line about syncing out of a server's configuration, or puts it back.
func (w *world) loosen(i int, yes bool) {
	w.t.Helper()
	const always, never = "sync_interval: always", "sync_interval: \"2m\""
	path := filepath.Join(w.folder(i), "nats.conf")
	conf := read(w.t, path)
	from, to := always, never
	if !yes {
		from, to = never, always
	}
	if strings.Count(conf, from) != 1 {
		w.t.Fatalf("%q does not stand in %s once", from, path)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(conf, from, to, 1)), 0o600); err != nil {
		w.t.Fatal(err)
	}
}

// ends waits until a centre has ended by itself, with words.
func (s *seat) ends(words string) {
	s.w.t.Helper()
	select {
	case <-s.gone:
	case <-time.After(40 * time.Second):
		s.w.t.Fatalf("the centre goes on:\n%s", s.said())
	}
	if s.cmd.ProcessState.ExitCode() != 1 || !strings.Contains(s.said(), words) {
		s.w.t.Fatalf("it ended with %v, and not by %q:\n%s", s.cmd.ProcessState, words, s.said())
	}
}

// A server that does not sync always is refused: at the start, and when it comes to a cluster that serves.
func TestUnsynced(t *testing.T) {
	const refusal = "confirms what is not on a disk yet: c;"
	w := newWorld(t)
	s := w.serve(filepath.Join(w.dir, "centre"))
	w.kill(2)
	w.loosen(2, true)
	w.start(2)
	s.ends(refusal)

	s.begin()
	s.ends(refusal)

	// With --unsynced it is taken, and all that the centre says has a word about it.
	s.args = append(s.args, "--unsynced")
	s.start()
	d, err := agent.Open(t.Context(), s.enrol("tab-1"), agent.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	recorded(t, d, 1, 3)
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if n, all := receiptsOf(t, filepath.Join(w.dir, "tab-1"), "gate-1-unsynced"), receiptsOf(t, filepath.Join(w.dir, "tab-1"), "gate-1"); n == 0 || all != 0 {
		t.Errorf("%d receipts say so, and %d do not", n, all)
	}
	const word = "confirm what is not on their disks yet"
	if page := s.page("/"); !strings.Contains(page, word) {
		t.Errorf("the page says nothing:\n%s", page)
	}
	if report := s.ask("GET", "/api/check", ""); !strings.Contains(report, "c confirms what is not on its disk yet") {
		t.Errorf("check says nothing: %s", report)
	}
	s.end()
	s.args = s.args[:len(s.args)-1]

	w.kill(2)
	w.loosen(2, false)
	w.start(2)
	s.start()
	if page := s.page("/"); strings.Contains(page, word) {
		t.Errorf("the page warns of nothing:\n%s", page)
	}
	recorded(t, d, 4, 4)
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if receiptsOf(t, filepath.Join(w.dir, "tab-1"), "gate-1") == 0 {
		t.Error("the gate has not its own name again")
	}
	s.end()
}

// page is a page as anybody sees it who has not come in.
func (s *seat) page(path string) string {
	s.w.t.Helper()
	answer, err := client.Get(s.at.Office + path)
	if err != nil {
		s.w.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		s.w.t.Fatal(err)
	}
	return string(b)
}
