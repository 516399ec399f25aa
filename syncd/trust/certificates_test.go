package trust

import (
	"bytes"
	"crypto/tls"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ullage/events"
	"ullage/syncd/trust/ca"
)

func get(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestOlderFolder: a folder from before there were certificates gets them at its first start, and keeps them.
func TestOlderFolder(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	tr.Close()
	authority, public := filepath.Join(dir, "keys", "authority.pem"), filepath.Join(dir, "ca.pem")
	for _, path := range []string{authority, public} {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	// As such a folder has it, no device knows the centre by a pin.
	path := filepath.Join(dir, "keys", "devices", "tab-1.json")
	b := get(t, path)
	i := bytes.Index(b, []byte(`,
  "pin"`))
	if i < 0 {
		t.Fatalf("no pin in %s", b)
	}
	put(t, path, append(b[:i:i], "\n}\n"...))
	tr = open(t, Config{Dir: dir})
	if _, ok := tr.Device("tab-1"); !ok {
		t.Error("the device is not known any more")
	}
	checkModes(t, dir)
	tr.Close()
	// From then on they are not made anew.
	if err := os.Remove(authority); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Config{Dir: dir}); !errors.Is(err, ca.ErrAuthority) {
		t.Errorf("lost: %v", err)
	}
}

// TestPinFollows: once the authority has a new key, codes name it, and ca.pem shows it.
func TestPinFollows(t *testing.T) {
	dir := t.TempDir()
	clk := newClock()
	tr := open(t, Config{Dir: dir, Now: clk.now})
	handshake := func() *tls.Certificate {
		t.Helper()
		c, err := tr.TLS().GetCertificate(&tls.ClientHelloInfo{})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	handshake()
	var pins []events.Hash
	for range 3 {
		handshake()
		pin := mustCode(t, tr, "tab-"+string(rune('a'+len(pins)))).Pin
		if len(pins) > 0 && pin == pins[len(pins)-1] {
			t.Error("the code names the old key")
		}
		if pin != tr.Pin() {
			t.Errorf("a code names %s, the centre has %s", pin, tr.Pin())
		}
		pins = append(pins, pin)
		if !bytes.Equal(get(t, filepath.Join(dir, "ca.pem")), ca.EncodePEM(tr.cert.Anchor())) {
			t.Error("ca.pem does not show it")
		}
		clk.advance(9 * 365 * 24 * time.Hour)
	}
}

func TestGivenByHalves(t *testing.T) {
	for _, cfg := range []Config{{Cert: "x"}, {Key: "x"}} {
		cfg.Dir = t.TempDir()
		if _, err := Open(cfg); err == nil {
			t.Errorf("%+v was taken", cfg)
		}
	}
}
