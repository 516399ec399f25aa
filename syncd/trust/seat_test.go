package trust

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/events"
)

// A seat's folder has the centre's keys and devices, an office and a gate of its own, and nothing that stays where it was made.
func TestSeat(t *testing.T) {
	first := open(t, Config{Dir: filepath.Join(t.TempDir(), "a"), Cluster: true})
	tab := newTablet(t)
	mustRedeem(t, first, tab.request(mustCode(t, first, "tab-1")))
	mustCode(t, first, "tab-2")
	seat, err := first.NewSeat()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "b")
	if err := first.WriteSeat(dir, seat); err != nil {
		t.Fatal(err)
	}
	checkModes(t, dir)
	second := open(t, Config{Dir: dir, Cluster: true})
	if id, _ := second.Office(); id != "office-2" {
		t.Errorf("the second seat's office is %s", id)
	}
	if id, _ := second.Gate(); id != "gate-2" {
		t.Errorf("the second seat's gate is %s", id)
	}
	for what, same := range map[string]bool{
		"the operator": first.Operator().Subject == second.Operator().Subject, "the devices' account": first.DevicesAccount() == second.DevicesAccount(),
		"the log's key": first.Log().Public().Equal(second.Log().Public()), "the pin": first.Pin() == second.Pin(),
	} {
		if !same {
			t.Errorf("%s is another one at the second seat", what)
		}
	}
	if first.Token() == second.Token() {
		t.Error("both seats have one token")
	}
	if d, ok := second.Device("tab-1"); !ok || d.Conn != tab.conn || !d.Key.Equal(tab.seal) {
		t.Errorf("the second seat knows tab-1 as %+v, %v", d, ok)
	}
	if _, err := os.Stat(filepath.Join(dir, "keys", "codes", "tab-2.json")); err == nil {
		t.Error("the second seat has the code of tab-2")
	}
	// Each learns the other, and keeps it over a start.
	office, key := seat.Office()
	gate, gateKey := seat.Gate()
	if err := errors.Join(first.LearnSeat(office, key), first.LearnSeat(gate, gateKey), first.LearnSeat(gate, gateKey)); err != nil {
		t.Fatal(err)
	}
	if err := first.LearnSeat(gate, key); !errors.Is(err, ErrKnown) {
		t.Errorf("a gate with another key: %v", err)
	}
	own, _ := first.Office()
	if err := first.LearnSeat(own, key); !errors.Is(err, ErrKnown) {
		t.Errorf("the seat's own office with another key: %v", err)
	}
	if err := first.LearnSeat("tab-9", key); err == nil {
		t.Error("tab-9 is taken for a seat")
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	first = open(t, Config{Dir: first.cfg.Dir, Cluster: true})
	for _, tr := range []*Trust{first, second} {
		var names []string
		for _, g := range tr.GateKeys() {
			names = append(names, string(g.Gate))
		}
		if got := strings.Join(names, " "); got != "gate-1 gate-1-unsynced gate-2 gate-2-unsynced" {
			t.Errorf("gates are %s", got)
		}
		for _, id := range []events.DeviceID{"office-1", "office-2"} {
			if d, ok := tr.Device(id); !ok || !d.Office {
				t.Errorf("%s is %+v, %v", id, d, ok)
			}
		}
	}
	if d, _ := first.Device(office); !d.Key.Equal(key) {
		t.Error("the second office has another key at the first seat")
	}
	if next, err := first.NewSeat(); err != nil || next.office.id != "office-3" || next.gate.id != "gate-3" {
		t.Errorf("the next seat is %+v, %v", next, err)
	}
	// Nobody is enrolled with a seat's key.
	if _, err := first.Redeem(tablet{key, tab.conn}.request(mustCode(t, first, "tab-3"))); !errors.Is(err, ErrPublicKeys) {
		t.Errorf("a device with the key of a seat: %v", err)
	}
}

// What another seat has let in is let in here, once; a name that is somebody else's stays theirs.
func TestLearn(t *testing.T) {
	tr := open(t, Config{Dir: t.TempDir(), Cluster: true})
	own, theirs := newTablet(t), newTablet(t)
	mustRedeem(t, tr, own.request(mustCode(t, tr, "tab-1")))
	for range 2 {
		if err := tr.Learn(Device{ID: "tab-2", Key: theirs.seal, Conn: theirs.conn}); err != nil {
			t.Fatal(err)
		}
	}
	if err := tr.Learn(Device{ID: "tab-1", Key: theirs.seal, Conn: theirs.conn}); !errors.Is(err, ErrKnown) {
		t.Errorf("tab-1 is given to another: %v", err)
	}
	if err := tr.Learn(Device{ID: "tab-3", Key: theirs.seal[:5], Conn: theirs.conn}); !errors.Is(err, ErrPublicKeys) {
		t.Errorf("half a key: %v", err)
	}
	if err := tr.Learn(Device{ID: "../tab", Key: theirs.seal, Conn: theirs.conn}); err == nil {
		t.Error("a path is a name")
	}
	if err := tr.Close(); err != nil {
		t.Fatal(err)
	}
	tr = open(t, Config{Dir: tr.cfg.Dir, Cluster: true})
	if d, ok := tr.Device("tab-2"); !ok || d.Conn != theirs.conn {
		t.Errorf("after a start tab-2 is %+v, %v", d, ok)
	}
	if _, err := tr.NewCode("tab-2", address); !errors.Is(err, ErrName) {
		t.Errorf("the name is given again: %v", err)
	}
	claims, err := tr.Revoke("tab-2")
	if err != nil || claims.Revocations[theirs.conn] == 0 {
		t.Errorf("revoked: %v, %v", claims, err)
	}
}

// In receipts for what need not be on a disk the gate has another name, and the same key.
func TestUnsyncedGate(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir, Cluster: true, Unsynced: true})
	name, key := tr.Gate()
	if name != "gate-1-unsynced" {
		t.Errorf("the gate's name is %s", name)
	}
	if err := tr.Close(); err != nil {
		t.Fatal(err)
	}
	tr = open(t, Config{Dir: dir, Cluster: true})
	found := false
	for _, g := range tr.GateKeys() {
		found = found || g.Gate == name && g.Key.Equal(key.Public())
	}
	if plain, _ := tr.Gate(); plain != "gate-1" || !found {
		t.Errorf("later its name is %s, and receipts of %s hold: %v", plain, name, found)
	}
}

// A damaged list of seats is named, and not taken for an empty one.
func TestDamagedOthers(t *testing.T) {
	dir := t.TempDir()
	if err := open(t, Config{Dir: dir}).Close(); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"", "{", `{"version":2,"others":[]}`, `{"version":1,"others":[{"id":"tab-1","key":""}]}`, `{"version":1,"others":[{"id":"office-2","key":"AAAA"}]}`} {
		if err := os.WriteFile(filepath.Join(dir, "keys", "others.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if tr, err := Open(Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), "others.json") {
			t.Errorf("%q: %v", text, err)
			if err == nil {
				tr.Close()
			}
		}
	}
}
