package gate

import (
	"context"
	"crypto/ed25519"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// revoke makes find say that the device is revoked; its connection stays, as for what is in flight.
func (d *device) revoke() {
	d.w.mu.Lock()
	d.w.revoked[d.id] = true
	d.w.mu.Unlock()
}

// asides reads what is set aside of a device, off the stream.
func (w *world) asides(d events.DeviceID) (all []storedMessage) {
	w.t.Helper()
	log := w.gate(nil).cfg.Log
	err := New(Config{Log: log}).eachAside(w.t.Context(), d, func(c *wire.Commit, records [][]byte) error {
		all = append(all, storedMessage{commit: c, records: records})
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return all
}

// checkAside holds what is set aside to the chain from first to last: each record once, all held, under seals that hold.
func (d *device) checkAside(first, last events.Seq) {
	d.w.t.Helper()
	next := first
	for _, m := range d.w.asides(d.id) {
		c := m.commit
		if c.Range.From != next || c.Link != d.links[c.Seq] || len(c.Held) != len(m.records) {
			d.w.t.Fatalf("%+v with %d held is set aside; %d should come next", c.Range, len(c.Held), next)
		}
		for _, s := range c.Seals {
			if err := events.VerifySeal(c.Key, d.id, d.links[s.Seq], s); err != nil {
				d.w.t.Error(err)
			}
		}
		next = c.Seq + 1
	}
	if next != last+1 {
		d.w.t.Fatalf("records %d to %d are set aside, not %d to %d", first, next-1, first, last)
	}
}

func (d *device) handOver(first, last events.Seq) *wire.AsideRequest {
	q := &wire.AsideRequest{Device: d.id, Push: d.push(first, last).Encode()}
	q.Sign(d.keyOf(last))
	return q
}

// takes holds handing over to be taken.
func (d *device) takes(g *Gate, first, last events.Seq) {
	d.w.t.Helper()
	if taken, why, err := g.HandOver(d.w.t.Context(), d.handOver(first, last)); err != nil || !taken {
		d.w.t.Fatalf("%d to %d: %s, %v", first, last, why, err)
	}
}

// What a device pushes that is revoked meanwhile is set aside, once, and can be handed over further.
func TestAside(t *testing.T) {
	w := newWorld(t)
	g, other := w.gate(nil), w.gate(nil)
	w.run(g)
	d := w.device("tab-1")
	d.writeOrdinary(4)
	d.renew(nil) // 5
	d.writeOrdinary(5)
	d.sends(1, 2)
	d.revoke()
	before := w.state()
	for range 3 { // also when the answer was lost
		if a := d.ask(wire.Push, d.push(3, 4).Encode()); a.Status != wire.Refused || a.Reason != wordsAside || len(a.Body) > 0 {
			t.Fatalf("%s: %s", a.Status, a.Reason)
		}
	}
	d.checkAside(3, 4)
	d.takes(other, 3, 5) // a part of it is there
	d.takes(g, 5, 5)
	d.takes(other, 3, 5)
	d.takes(g, 6, 8)
	d.takes(g, 7, 10)
	d.checkAside(3, 10)
	if n := len(w.asides(d.id)); n != 4 {
		t.Errorf("%d messages are set aside", n)
	}
	if got := w.state(); got != before {
		t.Errorf("RECORDS was %+v, and is %+v", before, got)
	}
}

// What does not continue the chain, or is sealed by a key that is not in force, is not taken, and changes nothing.
func TestAsideRefuses(t *testing.T) {
	w := newWorld(t)
	d, stranger := w.device("tab-1"), w.device("tab-2")
	d.writeOrdinary(4)
	d.renew(nil) // 5
	d.writeOrdinary(3)
	run := w.run(w.gate(nil))
	d.sends(1, 2)
	run()
	d.takesNothing(t, "not revoked", d.handOver(3, 4), "no revoked device")
	d.revoke()
	signed := func(key ed25519.PrivateKey, q wire.PushRequest) *wire.AsideRequest {
		a := &wire.AsideRequest{Device: d.id, Push: q.Encode()}
		a.Sign(key)
		return a
	}
	fork := *d
	fork.chain, fork.links = slices.Clone(d.chain[:2]), slices.Clone(d.links[:3])
	fork.writeOrdinary(2)
	early := *d
	early.chain, early.links = nil, slices.Clone(d.links[:1])
	early.writeOrdinary(4)
	for name, q := range map[string]*wire.AsideRequest{
		"signed by another":           signed(stranger.key, d.push(3, 4)),
		"signed by a key to come":     signed(d.turns[0].key, d.push(3, 4)),
		"changed behind its sign":     {Device: d.id, Push: d.push(3, 4).Encode(), Signature: d.handOver(3, 3).Signature},
		"sealed by another":           signed(d.key, d.sealedBy(stranger.key, 3, 4)),
		"a gap":                       d.handOver(4, 5),
		"a renewal in the middle":     signed(d.key, d.push(3, 6)),
		"records of before, another":  early.handOver(1, 4),
		"no push":                     {Device: d.id, Push: []byte("push"), Signature: make([]byte, 64)},
		"of a device that nobody has": {Device: "tab-9", Push: d.push(3, 4).Encode(), Signature: make([]byte, 64)},
	} {
		d.takesNothing(t, name, q, "")
	}
	d.takes(w.gate(nil), 3, 4)
	d.takesNothing(t, "another branch", fork.handOver(3, 4), "another one")
	d.takes(w.gate(nil), 5, 5)
	d.takesNothing(t, "the old key", signed(d.keyOf(6), d.sealedBy(d.key, 6, 7)), "seal")
	d.takesNothing(t, "signed by the old key", signed(d.key, d.sealedBy(d.key, 6, 7)), "seal")
	d.checkAside(3, 5)
}

func (d *device) takesNothing(t *testing.T, name string, q *wire.AsideRequest, words string) {
	t.Helper()
	before := len(d.w.asides(d.id))
	taken, why, err := d.w.gate(nil).HandOver(t.Context(), q)
	if err != nil || taken || why == "" || !strings.Contains(why, words) {
		t.Errorf("%s: taken %v: %s, %v", name, taken, why, err)
	}
	if n := len(d.w.asides(d.id)); n != before {
		t.Errorf("%s: %d messages more are set aside", name, n-before)
	}
}

// A stranger who names a device keeps nothing from it. The device itself is not heard for a while after something of it
// was not taken, and is told to come again.
func TestHandOverRests(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	d := w.device("tab-1")
	d.writeOrdinary(3)
	d.revoke()
	bad := *d.handOver(1, 1)
	bad.Signature = make([]byte, 64)
	if taken, why, err := g.HandOver(t.Context(), &bad); taken || err != nil || why == "" {
		t.Fatal(taken, why, err)
	}
	if taken, why, err := g.HandOver(t.Context(), d.handOver(1, 1)); !taken || err != nil {
		t.Fatalf("after a stranger's: %s, %v", why, err)
	}
	if taken, why, err := g.HandOver(t.Context(), d.handOver(3, 3)); taken || err != nil || !strings.Contains(why, "do not go on") {
		t.Fatalf("with a gap: %v: %s, %v", taken, why, err)
	}
	if taken, _, err := g.HandOver(t.Context(), d.handOver(2, 3)); taken || !errors.Is(err, ErrRest) {
		t.Errorf("at once again: %v, %v", taken, err)
	}
	eventually(t, func() bool {
		taken, _, err := g.HandOver(t.Context(), d.handOver(2, 3))
		return taken && err == nil
	})
	d.checkAside(1, 3)
}

// Two gates that are handed the same at once store it once.
func TestAsideTwoGates(t *testing.T) {
	w := newWorld(t)
	gates := []*Gate{w.gate(nil), w.gate(nil)}
	d := w.device("tab-1")
	const rounds = 20
	d.writeOrdinary(3 * rounds)
	d.revoke()
	for round := range events.Seq(rounds) {
		q := d.handOver(3*round+1, 3*round+3)
		var both sync.WaitGroup
		for _, g := range gates {
			both.Go(func() { g.HandOver(t.Context(), q) }) // one of them may be told to ask again
		}
		both.Wait()
		d.checkAside(1, 3*round+3)
	}
}

// What is set aside of one device is bounded; a restart does not begin to count anew.
func TestAsideIsBounded(t *testing.T) {
	w := newWorld(t)
	d := w.device("tab-1")
	d.writeOrdinary(3)
	d.revoke()
	g := w.gate(nil)
	d.takes(g, 1, 1)
	one := g.asides[d.id].bytes
	if one != 0 { // what was counted before it was stored
		t.Errorf("%d bytes counted", one)
	}
	d.takes(g, 2, 2)
	if g = w.gate(nil); g.asides[d.id] != (asideSize{}) {
		t.Fatal("a new gate remembers")
	}
	size, err := g.sizeAside(t.Context(), d.id, 2)
	if err != nil || size < 100 {
		t.Fatalf("%d bytes, %v", size, err)
	}
	g.asides[d.id] = asideSize{2, maxAside - 10}
	if taken, why, err := g.HandOver(t.Context(), d.handOver(3, 3)); taken || err != nil || !strings.Contains(why, "at most") {
		t.Errorf("taken %v: %s, %v", taken, why, err)
	}
	d.checkAside(1, 2)
}

// What was set aside is let in in order, held, by the keys of its places, and once, however often and by whichever gate.
func TestAdmit(t *testing.T) {
	w := newWorld(t)
	stop := w.run(w.gate(nil))
	d := w.device("tab-1")
	d.writeOrdinary(2)
	d.sends(1, 2)
	stop()
	d.writeOrdinary(2)
	foreign, err := events.EncodeBody(&events.CustomerEntered{Code: "C-1", Lang: "en"})
	if err != nil {
		t.Fatal(err)
	}
	d.write(d.record(5, func(r *events.Record) { r.Kind, r.Body = "customer.entered", foreign }))
	d.renew(nil) // 6
	d.writeOrdinary(4)
	d.revoke()
	g := w.gate(nil)
	for _, part := range [][2]events.Seq{{3, 4}, {5, 6}, {7, 8}, {9, 10}} {
		d.takes(g, part[0], part[1])
	}
	list, err := g.Asides(t.Context(), d.id)
	if err != nil || len(list) != 4 || list[0].Admitted || !strings.Contains(list[1].Records[0].Fault, "office") || list[0].Records[0].Fault != "" {
		t.Fatalf("%+v, %v", list, err)
	}

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := g.Admit(ended, d.id, 10); err == nil {
		t.Error("it is let in without a broker")
	}
	d.checkStored(2)
	for range 2 {
		if err := w.gate(nil).Admit(t.Context(), d.id, 5); err != nil { // in the middle of a push: that push
			t.Fatal(err)
		}
		d.checkStored(6)
	}
	var both sync.WaitGroup
	for range 2 {
		both.Go(func() { w.gate(nil).Admit(t.Context(), d.id, 10) }) // one of them may be told that the other was first
	}
	both.Wait()
	if err := g.Admit(t.Context(), d.id, 10); err != nil {
		t.Fatal(err)
	}
	d.checkStored(10)
	for _, m := range w.stored(d.id)[1:] {
		for i, h := range m.commit.Held {
			if h.Seq != m.commit.Range.From+events.Seq(i) || !strings.HasPrefix(h.Reason, whyAside) {
				t.Errorf("held: %+v", h)
			}
		}
		if len(m.commit.Held) != len(m.records) {
			t.Errorf("%d of %d are held", len(m.commit.Held), len(m.records))
		}
	}
	if list, err = g.Asides(t.Context(), d.id); err != nil || !list[3].Admitted {
		t.Errorf("%+v, %v", list, err)
	}
	// What comes later goes on behind it.
	d.writeOrdinary(1)
	d.takes(w.gate(nil), 11, 11)
	if err := g.Admit(t.Context(), d.id, 11); err != nil {
		t.Fatal(err)
	}
	d.checkStored(11)
}

// A push that came into both streams, because the device was revoked while it came, is let in for the rest of it.
func TestAdmitOverlap(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	d := w.device("tab-1")
	d.writeOrdinary(6)
	d.revoke()
	d.takes(g, 1, 2)
	d.takes(g, 3, 6)
	for _, part := range [][2]events.Seq{{1, 2}, {3, 4}} { // by a gate that did not know yet
		if a, err := w.gate(nil).Commit(t.Context(), d.id, d.known(), d.push(part[0], part[1])); err != nil || a.Status != wire.OK {
			t.Fatal(a.Status, err)
		}
	}
	if err := g.Admit(t.Context(), d.id, 6); err != nil {
		t.Fatal(err)
	}
	d.checkStored(6)
}
