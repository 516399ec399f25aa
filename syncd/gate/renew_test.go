package gate

import (
	"crypto/ed25519"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// sealedBy is a push with its seal over the last record by another key than the one that seals there.
func (d *device) sealedBy(key ed25519.PrivateKey, first, last events.Seq) wire.PushRequest {
	q := d.push(first, last)
	q.Seals = []events.Seal{events.SignSeal(key, d.id, last, d.links[last], "")}
	return q
}

// A record is judged by the key that is valid at its place, and every gate knows that key from the stream alone.
func TestRenewal(t *testing.T) {
	w := newWorld(t)
	gates := []*Gate{w.gate(nil), w.gate(nil)}
	d := w.device("tab-1")
	commit := func(g *Gate, q wire.PushRequest) wire.Answer {
		t.Helper()
		a, err := g.Commit(t.Context(), d.id, d.known(), q)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	good := func(g *Gate, first, last events.Seq) {
		t.Helper()
		if a := commit(g, d.push(first, last)); a.Status != wire.OK {
			t.Fatalf("%d to %d: %s: %s", first, last, a.Status, a.Reason)
		}
	}
	bad := func(what string, q wire.PushRequest, words string) {
		t.Helper()
		before := w.state()
		for _, g := range append(gates, w.gate(nil)) { // with memory of its own, of another's, and with none
			if a := commit(g, q); a.Status != wire.Refused || !strings.Contains(a.Reason, words) {
				t.Errorf("%s: %s: %s", what, a.Status, a.Reason)
			}
		}
		if got := w.state(); got != before {
			t.Errorf("%s: the stream was %+v, and is %+v", what, before, got)
		}
	}
	d.writeOrdinary(3)
	d.renew(nil) // 4
	d.writeOrdinary(3)
	d.renew(nil) // 8
	d.renew(nil) // 9
	d.writeOrdinary(2)
	first, second, third, fourth := d.key, d.turns[0].key, d.turns[1].key, d.turns[2].key

	good(gates[0], 1, 2)
	bad("a renewal in the middle", d.push(3, 5), "record 4 renews the device's key, and is not the last of its push")
	bad("the new key before it is renewed to", d.sealedBy(second, 3, 3), "does not hold")
	bad("the renewal sealed by the new key", d.sealedBy(second, 3, 4), "does not hold")
	good(gates[1], 3, 4)
	bad("the old key behind the renewal", d.sealedBy(first, 5, 6), "does not hold")
	bad("a key that comes later", d.sealedBy(third, 5, 6), "does not hold")
	good(gates[0], 5, 6)
	bad("the first key, later", d.sealedBy(first, 7, 7), "does not hold")
	bad("two renewals at once", d.push(7, 9), "record 8 renews")
	good(gates[1], 7, 8)
	bad("the key before, over a second renewal", d.sealedBy(second, 9, 9), "does not hold")
	good(w.gate(nil), 9, 9)
	good(gates[0], 10, 11)
	d.checkStored(11)
	for _, m := range w.stored(d.id) {
		if len(m.commit.Held) > 0 {
			t.Errorf("held: %+v", m.commit.Held)
		}
	}

	// A renewal that comes again is answered with the cursor, as every push is.
	if a := commit(gates[0], d.push(9, 9)); a.Status != wire.Elsewhere {
		t.Errorf("again: %s: %s", a.Status, a.Reason)
	}
	w.run(gates[0])
	if a := d.hello(11, d.links[11], func(q *wire.HelloRequest, inbox string) { q.Sign(fourth, d.id, inbox) }); a.Status != wire.OK {
		t.Errorf("hello by the key in force: %s: %s", a.Status, a.Reason)
	}
	for _, key := range []ed25519.PrivateKey{first, second, third} {
		if a := d.hello(11, d.links[11], func(q *wire.HelloRequest, inbox string) { q.Sign(key, d.id, inbox) }); a.Status != wire.Refused {
			t.Errorf("hello by an earlier key: %s", a.Status)
		}
	}
}

// A hello holds by the key that seals the record behind the centre's cursor: the old one until the renewal has come.
func TestHelloBeforeRenewalIsReceived(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	d.writeOrdinary(2)
	d.sends(1, 2)
	d.renew(nil)
	by := func(key ed25519.PrivateKey) wire.Status {
		return d.hello(3, d.links[3], func(q *wire.HelloRequest, inbox string) { q.Sign(key, d.id, inbox) }).Status
	}
	if by(d.key) != wire.OK || by(d.turns[0].key) != wire.Refused {
		t.Error("before it has come, the new key counts")
	}
	d.sends(3, 3)
	if by(d.key) != wire.Refused || by(d.turns[0].key) != wire.OK {
		t.Error("when it has come, the old key counts")
	}
}

// A device.renewed that does not renew its own device's key is held, and changes no key.
func TestNoRenewal(t *testing.T) {
	for name, change := range map[string]func(*events.DeviceRenewed){
		"of another device":    func(b *events.DeviceRenewed) { b.Device = "tab-2" },
		"of the office":        func(b *events.DeviceRenewed) { b.Device = "office-1" },
		"of no sealing key":    func(b *events.DeviceRenewed) { b.Keys[0].Use = "connection" },
		"of two sealing keys":  func(b *events.DeviceRenewed) { b.Keys = append(b.Keys, b.Keys[0]) },
		"of a key that is cut": func(b *events.DeviceRenewed) { b.Keys[0].Key = b.Keys[0].Key[:31] },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.run(w.gate(nil))
			d := w.device("tab-1")
			d.writeOrdinary(1)
			d.renew(change)
			d.writeOrdinary(1)
			d.sends(1, 2)
			d.sends(3, 3)
			d.checkStored(3)
			held := w.stored(d.id)[0].commit.Held
			if len(held) != 1 || held[0].Seq != 2 || !strings.Contains(held[0].Reason, "device.renewed") {
				t.Errorf("held: %+v", held)
			}
		})
	}
}
