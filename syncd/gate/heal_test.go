package gate

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// lostList is what RECORDS is said to have lost.
type lostList struct {
	mu     sync.Mutex
	lost   map[events.DeviceID]wire.Ranges
	healed wire.Ranges
}

func (l *lostList) lose(d events.DeviceID, ranges ...wire.Range) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lost[d] = ranges
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
func healing(t *testing.T) (w *world, d *device, log *publicLog, lost *lostList, receipts []*wire.Receipt) {
	w = newWorld(t)
	log = &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
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
	lost.lose("tab-1", wire.Range{From: 4, To: 6})
	return w, d, log, lost, receipts
}

func TestHealedByItsDevice(t *testing.T) {
	w, d, _, lost, receipts := healing(t)
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
	lost.mu.Lock()
	healed := slices.Clone(lost.healed)
	lost.mu.Unlock()
	if !slices.Equal(healed, wire.Ranges{{From: 4, To: 6}}) {
		t.Errorf("healed: %v", healed)
	}
	// It is asked for no more, a receipt is for what reaches the cursor, and the chain goes on from there.
	a = d.ask(wire.Push, q.Encode())
	p, err := wire.DecodePushAnswer(a.Body)
	if err != nil || a.Status != wire.Elsewhere {
		t.Fatalf("once more: %s, %s, %v", a.Status, a.Reason, err)
	}
	if r, err := wire.DecodeReceipt(p.Receipt); err != nil || r.First != 7 || r.Last != 9 || r.Received != receipts[2].Received {
		t.Errorf("the receipt is %+v, %v", r, err)
	}
	d.writeOrdinary(2)
	d.sends(10, 11)
}

func TestHealingRefuses(t *testing.T) {
	w, d, log, _, receipts := healing(t)
	other := *d
	other.chain, other.links = slices.Clone(d.chain[:4]), slices.Clone(d.links[:5])
	other.writeOrdinary(5)
	log.has(6, events.HashRecord(d.chain[5]))
	before := len(w.stored("tab-1"))
	for name, c := range map[string]struct {
		q     wire.PushRequest
		words string
	}{
		"other records":         {other.push(4, 6), "the centre had another record 6 of this device"},
		"one that nobody knows": {other.push(4, 5), "nothing here proves that record 5 is the one that was lost"},
		"more than is lost":     {d.push(4, 7), "record 7 is not asked for"},
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
	lost := &lostList{lost: map[events.DeviceID]wire.Ranges{}}
	w.run(w.gate(func(c *Config) { c.Missing = lost }))
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
	lost.mu.Lock()
	defer lost.mu.Unlock()
	if want := (wire.Ranges{{From: 1, To: 2}, {From: 6, To: 6}}); !slices.Equal(lost.healed, want) {
		t.Errorf("healed: %v, want %v", lost.healed, want)
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
	lost.lose("tab-1", wire.Range{From: 1, To: 3})
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

// Without a public log too, which was lost with the records, they are known by the link at their end.
func TestHealedWithoutTheLog(t *testing.T) {
	w := newWorld(t)
	lost := &lostList{lost: map[events.DeviceID]wire.Ranges{}}
	w.run(w.gate(func(c *Config) { c.Missing = lost }))
	d := w.device("tab-1")
	d.writeOrdinary(12)
	d.sends(1, 2)
	// Records 3 to 6, 9 and 10 are lost: what stands behind them is put there as if they had been there before it.
	for _, r := range []wire.Range{{From: 7, To: 8}, {From: 11, To: 12}} {
		d.putAs(w.gate(nil), r, r.To)
	}
	lost.lose("tab-1", wire.Range{From: 3, To: 6}, wire.Range{From: 9, To: 10})
	d.hello(12, d.links[12], nil)
	name, key := w.trust.Gate()
	receipt := wire.Receipt{Device: "tab-1", First: 3, Last: 4, Link: d.links[4], Received: 5, Place: wire.Place{Seq: 1, Hash: events.Hash{1}, Created: 1}}
	receipt.Sign(name, key)
	for _, c := range []struct {
		first, last events.Seq
		original    []byte
		ok          bool
	}{
		{3, 3, receipt.Encode(), false}, // a part of what the receipt is for
		{3, 4, nil, false},              // what comes behind is lost too
		{3, 4, receipt.Encode(), true},
		{5, 6, nil, true}, // 7 and 8 go on from there
		{9, 9, nil, false},
		{9, 10, nil, true},
	} {
		q := d.push(c.first, c.last)
		q.Original = c.original
		a := d.ask(wire.Push, q.Encode())
		if ok := a.Status == wire.OK; ok != c.ok {
			t.Fatalf("records %d to %d: %s, %s", c.first, c.last, a.Status, a.Reason)
		}
		if !c.ok && !strings.Contains(a.Reason, "nothing here proves") {
			t.Errorf("records %d to %d: %s", c.first, c.last, a.Reason)
		}
	}
	lost.mu.Lock()
	defer lost.mu.Unlock()
	if want := (wire.Ranges{{From: 3, To: 6}, {From: 9, To: 10}}); !slices.Equal(lost.healed, want) {
		t.Errorf("healed: %v, want %v", lost.healed, want)
	}
}

// putAs stores records behind what stands last, with the cursor at a record.
func (d *device) putAs(g *Gate, r wire.Range, cursor events.Seq) {
	d.w.t.Helper()
	c, err := g.reread(d.w.t.Context(), d.id, d.known())
	if err != nil {
		d.w.t.Fatal(err)
	}
	commit := &wire.Commit{Device: d.id, Seq: cursor, Link: d.links[cursor], Range: r, Seals: []events.Seal{d.seal(r.To)}, Key: d.keyOf(r.To).Public().(ed25519.PublicKey)}
	if err := g.store(d.w.t.Context(), c, commit, d.chain[r.From-1:r.To]); err != nil {
		d.w.t.Fatal(err)
	}
}

// The message that reaches the cursor is lost after another was healed: the cursor stays, and the device is asked for it.
func TestLostAtTheCursor(t *testing.T) {
	w := newWorld(t)
	log := &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
	lost := &lostList{lost: map[events.DeviceID]wire.Ranges{}}
	g := w.gate(func(c *Config) { c.Public, c.Missing, c.Conflict = log, lost, func(Conflict) {} })
	w.run(g)
	d := w.device("tab-1")
	d.writeOrdinary(5)
	d.renew(nil)
	d.writeOrdinary(3)
	d.sends(1, 3)
	d.putAs(g, wire.Range{From: 4, To: 6}, 9)
	for _, raw := range d.chain {
		log.add(string(raw))
	}
	lost.lose("tab-1", wire.Range{From: 7, To: 9})
	a := d.hello(9, d.links[9], func(q *wire.HelloRequest, inbox string) { q.Sign(d.keyOf(10), d.id, inbox) })
	h, err := wire.DecodeHelloAnswer(a.Body)
	if err != nil || a.Status != wire.OK || h.Seq != 9 || !slices.Equal(h.Want, []wire.Range{{From: 7, To: 9}}) {
		t.Fatalf("%s, %s: at %d it wants %v, %v", a.Status, a.Reason, h.Seq, h.Want, err)
	}
	for _, r := range []wire.Range{{From: 7, To: 8}, {From: 9, To: 9}} {
		if a := d.ask(wire.Push, d.push(r.From, r.To).Encode()); a.Status != wire.OK {
			t.Fatal(a.Status, a.Reason)
		}
	}
	d.writeOrdinary(2)
	d.sends(10, 11)
}

// What a read model has kept is stored again as it was, step by step, with the receipt that it had or that it would have had.
func TestRestore(t *testing.T) {
	before := newWorld(t)
	was := before.gate(nil)
	before.run(was)
	d := before.device("tab-1")
	d.writeOrdinary(3)
	d.write([]byte("no record")) // held
	d.writeOrdinary(5)
	d.sends(1, 3)
	d.sends(4, 6)
	d.sends(7, 9)
	kept := before.stored("tab-1")

	w := newWorld(t)
	lost, log := &lostList{lost: map[events.DeviceID]wire.Ranges{}}, &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
	g, second := w.gate(func(c *Config) { c.Missing, c.Public = lost, log }), w.gate(nil)
	restore := func(g *Gate, m storedMessage) error {
		return g.Restore(t.Context(), d.known(), wire.Place{Seq: m.seq, Hash: wire.HashData(m.data), Created: 7}, m.commit, m.records)
	}
	if err := restore(g, kept[1]); !errors.Is(err, ErrGap) {
		t.Errorf("records 4 to 6 on nothing: %v", err)
	}
	if err := restore(g, kept[0]); err != nil {
		t.Fatal(err)
	}
	other := kept[1]
	other.records = slices.Clone(other.records)
	other.records[2] = d.record(6, nil)
	if err := restore(g, other); !errors.Is(err, ErrChain) {
		t.Errorf("another record 6: %v", err)
	}
	// Two gates at once: it counts once, though both may store it, one after the other.
	errs := make([]error, 2)
	var both sync.WaitGroup
	for i, g := range []*Gate{g, second} {
		both.Go(func() { errs[i] = restore(g, kept[1]) })
	}
	both.Wait()
	for _, err := range errs {
		if err != nil && !errors.Is(err, stream.ErrMoved) {
			t.Error(err)
		}
	}
	if err := restore(g, kept[2]); err != nil {
		t.Fatal(err)
	}
	had, there := map[wire.Range]storedMessage{}, wire.Ranges{}
	for _, m := range kept {
		had[m.commit.Range] = m
	}
	for _, m := range w.stored("tab-1") {
		c, k := m.commit, had[m.commit.Range]
		if c.Seq < c.Range.To || c.Link != d.links[c.Seq] || !reflect.DeepEqual(c.Seals, k.commit.Seals) || !reflect.DeepEqual(c.Held, k.commit.Held) ||
			!reflect.DeepEqual(m.records, k.records) {
			t.Errorf("message %d: %+v, was %+v", m.seq, c, k.commit)
		}
		r, err := wire.DecodeReceipt(c.Original)
		if err != nil || r.Received != k.commit.Received || r.Place.Seq != k.seq || r.Last != c.Range.To || r.Link != d.links[c.Range.To] {
			t.Errorf("message %d: its original receipt is %+v, %v", m.seq, r, err)
		}
		there.Add(c.Range)
	}
	if c, err := g.reread(t.Context(), "tab-1", d.known()); err != nil || c.seq != 9 || c.link != d.links[9] {
		t.Errorf("the cursor is %d, %v", c.seq, err)
	}
	if !slices.Equal(there, wire.Ranges{{From: 1, To: 9}}) || !slices.Equal(lost.healed, wire.Ranges{{From: 1, To: 9}}) && !slices.Equal(lost.healed, wire.Ranges{{From: 1, To: 3}, {From: 7, To: 9}}) {
		t.Errorf("stored: %v, healed: %v", there, lost.healed)
	}
	// One from the midst, and one that was restored before: neither takes the cursor back, and its receipt is the one that it had.
	all := w.stored("tab-1")
	for _, m := range []storedMessage{kept[0], all[len(all)-1]} {
		if err := restore(g, m); err != nil {
			t.Fatal(err)
		}
		all := w.stored("tab-1")
		got := all[len(all)-1].commit
		if got.Seq != 9 || got.Link != d.links[9] || got.Range != m.commit.Range || len(m.commit.Original) > 0 && !bytes.Equal(got.Original, m.commit.Original) {
			t.Errorf("records %v once more: %+v", m.commit.Range, got)
		}
	}
	// One whose cursor stood further, and that had no receipt, is dated by when it was received.
	m := all[len(all)-1]
	further := *m.commit
	further.Range, further.Original, further.Received = wire.Range{From: 7, To: 8}, nil, 5
	further.Seals = []events.Seal{d.seal(8)}
	if err := restore(g, storedMessage{m.seq, m.data, &further, d.chain[6:8]}); err != nil {
		t.Fatal(err)
	}
	all = w.stored("tab-1")
	if r, err := wire.DecodeReceipt(all[len(all)-1].commit.Original); err != nil || r.First != 7 || r.Last != 9 || r.Link != d.links[9] || r.Received != 5 {
		t.Errorf("its receipt is %+v, %v", r, err)
	}
	// What the public log knows otherwise is not put in its place.
	log.has(8, events.Hash{1})
	if err := restore(g, kept[2]); !errors.Is(err, ErrChain) {
		t.Errorf("records that the log knows otherwise: %v", err)
	}
}
