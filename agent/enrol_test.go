package agent_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"ullage/agent"
	"ullage/events/wire"
)

func TestEnrolCanBeRepeated(t *testing.T) {
	c := newCentre(t)
	dir := filepath.Join(t.TempDir(), "a", "b")
	c.lose = 2
	for range 2 {
		if _, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config()); err == nil || !strings.Contains(err.Error(), "can be tried again") {
			t.Fatalf("Enrol whose answer is lost: %v", err)
		}
	}
	if _, err := agent.Open(t.Context(), dir, config()); !errors.Is(err, agent.ErrNotEnrolled) {
		t.Fatalf("Open before it is enrolled: %v", err)
	}
	if _, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config()); err != nil {
		t.Fatalf("the third try: %v", err)
	}
	// A crash before device.json was written.
	if err := os.Remove(filepath.Join(dir, "device.json")); err != nil {
		t.Fatal(err)
	}
	if _, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config()); err != nil {
		t.Fatalf("after a crash: %v", err)
	}
	d := opened(t, dir, config())
	record(t, d, visit(2))
	drained(t, c, d)
	if _, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config()); !errors.Is(err, agent.ErrEnrolled) {
		t.Errorf("Enrol of an enrolled device: %v", err)
	}
	for _, name := range []string{"keys/seal.pem", "keys/conn.nk", "device.json"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, info.Mode(), err)
		}
	}
}

func TestEnrolByTwoAtOnce(t *testing.T) {
	c := newCentre(t)
	dir := t.TempDir()
	var both sync.WaitGroup
	for range 2 {
		both.Go(func() { agent.Enrol(t.Context(), dir, "", c.code.String(), config()) })
	}
	both.Wait()
	d := opened(t, dir, config())
	record(t, d, visit(1))
	drained(t, c, d)
}

func TestEnrolRefusals(t *testing.T) {
	c := newCentre(t)
	other := wire.Code{Secret: [16]byte{9}, Pin: c.code.Pin, Address: c.http.URL}
	for name, try := range map[string]struct{ centre, code, want string }{
		"another code":      {"", other.String(), "the centre refused: the code was used"},
		"no code":           {"", "U2-nonsense", "not a code of enrolment"},
		"no address":        {"nowhere", c.code.String(), "no address of a centre"},
		"without TLS":       {strings.Replace(c.http.URL, "https", "http", 1), c.code.String(), "https only"},
		"nobody there":      {"https://127.0.0.1:1", c.code.String(), "can be tried again"},
		"not a centre":      {c.http.URL + "/elsewhere", c.code.String(), "the centre refused"},
		"code of elsewhere": {"", wire.Code{Secret: c.code.Secret, Address: "http://192.0.2.7"}.String(), "https only"},
		"another pin":       {"", wire.Code{Secret: c.code.Secret, Address: c.http.URL}.String(), "not the centre"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "device")
			_, err := agent.Enrol(t.Context(), dir, try.centre, try.code, config())
			if err == nil || !strings.Contains(err.Error(), try.want) {
				t.Errorf("got %v, want %q", err, try.want)
			}
			if _, err := os.Stat(filepath.Join(dir, "device.json")); err == nil {
				t.Error("it is enrolled all the same")
			}
		})
	}
	// The address that is named wins over the code's.
	moved := wire.Code{Secret: c.code.Secret, Pin: c.code.Pin, Address: "https://127.0.0.1:1"}
	if _, err := agent.Enrol(t.Context(), t.TempDir(), c.http.URL, moved.String(), config()); err != nil {
		t.Errorf("with an address of its own: %v", err)
	}
}
