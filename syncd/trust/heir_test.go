package trust

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"testing"

	"ullage/events/wire"
)

// heirOf is a request of a copy of a device, signed by a key.
func heirOf(t *testing.T, by ed25519.PrivateKey) wire.HeirRequest {
	t.Helper()
	tab := newTablet(t)
	q := wire.HeirRequest{Parent: "tab-1", SealKey: tab.seal, ConnKey: tab.conn, Software: "test 1"}
	q.Sign(by)
	return q
}

// A copy of a device that has forked waits, over a restart, until it is let in; nobody else can ask, and not too many.
func TestHeir(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	public, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tab := newTablet(t)
	tab.seal = public
	mustRedeem(t, tr, tab.request(mustCode(t, tr, "tab-1")))
	q := heirOf(t, key)
	id := wire.HeirName("tab-1", q.SealKey)
	refused := func(what string, q wire.HeirRequest, want error) {
		t.Helper()
		if _, _, err := tr.Inherit(q); !errors.Is(err, want) {
			t.Errorf("%s: %v", what, err)
		}
	}
	refused("of a device that has not forked", q, ErrHeir)
	if err := tr.Freeze("tab-1"); err != nil {
		t.Fatal(err)
	}
	_, stranger, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	refused("by a stranger", heirOf(t, stranger), ErrHeir)
	other := q
	other.Parent = "tab-2"
	refused("of a device that is none", other, ErrHeir)
	other = q
	other.ConnKey = tab.conn
	refused("with a changed key", other, ErrHeir)
	other.Sign(key)
	refused("with the key of another", other, ErrPublicKeys)

	for range 2 {
		if _, waits, err := tr.Inherit(q); !waits || err != nil {
			t.Fatalf("it does not wait: %v, %v", waits, err)
		}
		if _, ok := tr.Device(id); ok {
			t.Fatal("it is somebody before it is let in")
		}
		tr.Close()
		tr = open(t, Config{Dir: dir})
	}
	none := errors.New("not written down")
	if err := tr.LetIn(id, func(Device) error { return none }); !errors.Is(err, none) {
		t.Errorf("let in: %v", err)
	}
	if err := tr.LetIn("tab-1", nil); !errors.Is(err, ErrDevice) {
		t.Errorf("one that does not wait: %v", err)
	}
	if list := tr.Heirs(); len(list) != 1 || list[0] != (Heir{id, "tab-1", true}) {
		t.Errorf("%+v", list)
	}
	for range 2 {
		if err := tr.LetIn(id, func(d Device) error {
			if d.ID != id || d.Parent != "tab-1" {
				t.Errorf("told of %+v", d)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	a, waits, err := tr.Inherit(q)
	if err != nil || waits || a.Device != id || a.JWT == "" {
		t.Errorf("%+v, %v, %v", a, waits, err)
	}
	for n := range mostHeirs + 1 {
		if _, _, err := tr.Inherit(heirOf(t, key)); (err != nil) != (n == mostHeirs) {
			t.Errorf("%d more: %v", n+1, err)
		}
	}
	if _, err := tr.Revoke(id); err != nil {
		t.Fatal(err)
	}
	refused("once it is revoked", q, ErrHeir)
}
