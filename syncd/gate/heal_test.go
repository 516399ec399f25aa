package gate

import (
	"bytes"
	"crypto/ed25519"
	"slices"
	"strings"
	"sync"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// lostList is what RECORDS is said to have lost.
type lostList struct {
	mu     sync.Mutex
	lost   map[events.DeviceID]wire.Ranges
	healed wire.Ranges
}

func (l *lostList) Want(d events.DeviceID) []wire.Range {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lost[d]
}

func (l *lostList) Healed(d events.DeviceID, r wire.Range) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.healed.Add(r)
	l.lost[d] = l.lost[d].Without(wire.Ranges{r})
}

// healing is a gate with a public log that has records 1 to 9 of a device, pushed by three, and misses the middle ones.
func healing(t *testing.T) (w *world, d *device, lost *lostList, receipts []*wire.Receipt) {
	w = newWorld(t)
	log := &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
	lost = &lostList{lost: map[events.DeviceID]wire.Ranges{}}
	w.run(w.gate(func(c *Config) { c.Public, c.Missing, c.Conflict = log, lost, func(Conflict) {} }))
	d = w.device("tab-1")
	d.writeOrdinary(9)
	for _, first := range []events.Seq{1, 4, 7} {
		receipts = append(receipts, d.sends(first, first+2))
	}
	for _, raw := range d.chain {
		log.add(string(raw))
	}
	lost.mu.Lock()
	lost.lost["tab-1"] = wire.Ranges{{From: 4, To: 6}}
	lost.mu.Unlock()
	return w, d, lost, receipts
}

func TestHealedByItsDevice(t *testing.T) {
	w, d, lost, receipts := healing(t)
	h, err := wire.DecodeHelloAnswer(d.hello(9, d.links[9], nil).Body)
	if err != nil || !slices.Equal(h.Want, []wire.Range{{From: 4, To: 6}}) {
		t.Fatalf("it wants %v, %v", h.Want, err)
	}
	// A restored device that has less than the centre is asked for what it has, not for more.
	if h, err := wire.DecodeHelloAnswer(d.hello(5, d.links[5], nil).Body); err != nil || !slices.Equal(h.Want, []wire.Range{{From: 4, To: 5}}) {
		t.Fatalf("of one that is behind it wants %v, %v", h.Want, err)
	}
	q := d.push(4, 6)
	q.Original = receipts[1].Encode()
	a := d.ask(wire.Push, q.Encode())
	if a.Status != wire.OK {
		t.Fatal(a.Status, a.Reason)
	}
	all := w.stored("tab-1")
	c := all[len(all)-1].commit
	if c.Seq != 9 || c.Link != d.links[9] || c.Range != (wire.Range{From: 4, To: 6}) || !bytes.Equal(c.Original, q.Original) {
		t.Errorf("stored: cursor %d, records %v, original of %d bytes", c.Seq, c.Range, len(c.Original))
	}
	if !slices.Equal(lost.healed, wire.Ranges{{From: 4, To: 6}}) {
		t.Errorf("healed: %v", lost.healed)
	}
	// It is asked for no more, and the chain goes on from where it stood.
	if a := d.ask(wire.Push, q.Encode()); a.Status != wire.Elsewhere {
		t.Errorf("once more: %s, %s", a.Status, a.Reason)
	}
	d.writeOrdinary(2)
	d.sends(10, 11)
}

func TestHealingRefuses(t *testing.T) {
	w, d, _, receipts := healing(t)
	other := *d
	other.chain, other.links = slices.Clone(d.chain[:4]), slices.Clone(d.links[:5])
	other.writeOrdinary(5)
	before := len(w.stored("tab-1"))
	for name, c := range map[string]struct {
		q     wire.PushRequest
		words string
	}{
		"other records":     {other.push(4, 6), "record 5 is another one than the public log has"},
		"more than is lost": {d.push(4, 7), "record 7 is not asked for"},
		"no seal that holds": {func() wire.PushRequest {
			q := d.push(4, 6)
			q.Seals[0].Signature = bytes.Clone(q.Seals[0].Signature)
			q.Seals[0].Signature[0]++
			return q
		}(), "seal at record 6"},
	} {
		if a := d.ask(wire.Push, c.q.Encode()); a.Status != wire.Refused || !strings.Contains(a.Reason, c.words) {
			t.Errorf("%s: %s, %s", name, a.Status, a.Reason)
		}
	}
	if n := len(w.stored("tab-1")); n != before {
		t.Fatalf("%d messages more", n-before)
	}
	// A receipt that is not ours, or for something else, dates nothing; the records are taken all the same.
	forged, foreign := *receipts[1], *receipts[2]
	forged.Received -= 1000
	q := d.push(4, 5)
	q.Original = forged.Encode()
	if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Fatal(a.Status, a.Reason)
	}
	q = d.push(6, 6)
	q.Original = foreign.Encode()
	if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Fatal(a.Status, a.Reason)
	}
	for _, m := range w.stored("tab-1")[before:] {
		if len(m.commit.Original) != 0 {
			t.Errorf("records %v are dated by a receipt that does not hold", m.commit.Range)
		}
	}
}

// A tail that was lost comes as any push does, behind the cursor. Its receipt dates it where its link is the chain's, also
// while the public log knows nothing.
func TestOriginalOfATail(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	d.writeOrdinary(6)
	name, key := w.trust.Gate()
	receipt := func(first, last events.Seq, link events.Hash) []byte {
		r := wire.Receipt{Device: "tab-1", First: first, Last: last, Link: link, Received: 5, Place: wire.Place{Seq: 1, Hash: events.Hash{1}, Created: 1}}
		r.Sign(name, key)
		return r.Encode()
	}
	for _, c := range []struct {
		first, last events.Seq
		original    []byte
		holds       bool
	}{
		{1, 2, receipt(1, 2, d.links[2]), true},
		{3, 4, receipt(3, 4, events.Hash{9}), false},
		{5, 5, receipt(5, 6, d.links[6]), false}, // a part of it: nothing proves that the rest is the same
		{6, 6, receipt(5, 6, d.links[6]), true},
	} {
		q := d.push(c.first, c.last)
		q.Original = c.original
		if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
			t.Fatal(a.Status, a.Reason)
		}
		all := w.stored("tab-1")
		if got := len(all[len(all)-1].commit.Original) > 0; got != c.holds {
			t.Errorf("records %d to %d: dated %v, want %v", c.first, c.last, got, c.holds)
		}
	}
}

// What RECORDS has lost keeps its numbers: another copy of the device cannot put something else in its place.
func TestLostNumbersStayTaken(t *testing.T) {
	w := newWorld(t)
	log := &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32)), had: map[events.Seq]events.Hash{}}
	w.run(w.gate(func(c *Config) { c.Public, c.Conflict = log, func(Conflict) {} }))
	d := w.device("tab-1")
	d.writeOrdinary(4)
	d.sends(1, 2)
	log.has(4, events.Hash{4})
	a := d.ask(wire.Push, d.push(3, 4).Encode())
	if a.Status != wire.Refused || a.At != 4 || !strings.Contains(a.Reason, "had another record 4") {
		t.Fatalf("%s at %d: %s", a.Status, a.At, a.Reason)
	}
	log.has(4, events.HashRecord(d.chain[3]))
	d.sends(3, 4)
}

// What comes again from before a renewal is held to the key that sealed there, and the next push to the one that is valid now,
// also by a gate that knows nothing but the stream.
func TestHealedBeforeARenewal(t *testing.T) {
	w := newWorld(t)
	log := &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
	lost := &lostList{lost: map[events.DeviceID]wire.Ranges{}}
	change := func(c *Config) { c.Public, c.Missing, c.Conflict = log, lost, func(Conflict) {} }
	g := w.gate(change)
	d := w.device("tab-1")
	commit := func(g *Gate, q wire.PushRequest) wire.Answer {
		t.Helper()
		a, err := g.Commit(t.Context(), d.id, d.known(), q)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	d.writeOrdinary(3)
	d.renew(nil) // 4
	d.writeOrdinary(5)
	for _, r := range [][2]events.Seq{{1, 3}, {4, 4}, {5, 7}} {
		if a := commit(g, d.push(r[0], r[1])); a.Status != wire.OK {
			t.Fatal(a.Status, a.Reason)
		}
	}
	for _, raw := range d.chain {
		log.add(string(raw))
	}
	lost.lost["tab-1"] = wire.Ranges{{From: 1, To: 3}}
	if a := commit(g, d.sealedBy(d.turns[0].key, 1, 3)); a.Status != wire.Refused {
		t.Errorf("sealed by a later key: %s", a.Status)
	}
	if a := commit(g, d.push(1, 3)); a.Status != wire.OK {
		t.Fatal(a.Status, a.Reason)
	}
	for n, g := range []*Gate{w.gate(change), g} {
		if a := commit(g, d.push(events.Seq(8+n), events.Seq(8+n))); a.Status != wire.OK {
			t.Errorf("gate %d: %s, %s", n, a.Status, a.Reason)
		}
	}
}
