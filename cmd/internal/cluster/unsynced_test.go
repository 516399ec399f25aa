package cluster

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
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

	w.kill(2)
	w.loosen(2, false)
	w.start(2)
	s.start()
	s.end()
}
