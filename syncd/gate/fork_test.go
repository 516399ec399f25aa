package gate

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"reflect"
	"slices"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ullage/events"
	"ullage/events/wire"
)

// forks are what a gate saw.
type forks struct {
	mu  sync.Mutex
	all []Fork
}

func (f *forks) seen() []Fork {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.all)
}

// forking makes a gate for the branches of one device, of which RECORDS has the first, and tells what it saw.
func (w *world) forking(main *device, saw *forks) *Gate {
	return w.gate(func(c *Config) {
		c.Reader = reader{chain: func(_ events.DeviceID, seq events.Seq) (events.Hash, ed25519.PublicKey, error) {
			if seq >= events.Seq(len(main.links)) {
				return events.Hash{}, nil, nil
			}
			return main.links[seq], main.keyOf(seq + 1).Public().(ed25519.PublicKey), nil
		}}
		c.Forked = func(f Fork) error {
			saw.mu.Lock()
			saw.all = append(saw.all, f)
			saw.mu.Unlock()
			w.mu.Lock()
			defer w.mu.Unlock()
			w.frozen[f.Device] = true
			return nil
		}
	})
}

// branchAt is a copy of the device as it was after a record.
func (d *device) branchAt(seq events.Seq) *device {
	b := *d
	b.chain, b.links = slices.Clone(d.chain[:seq]), slices.Clone(d.links[:seq+1])
	b.turns = slices.DeleteFunc(slices.Clone(d.turns), func(t turn) bool { return t.after > seq })
	return &b
}

// brings sends a stretch of a branch.
func (d *device) brings(first, last events.Seq) wire.Answer {
	d.w.t.Helper()
	return d.ask(wire.Branch, d.push(first, last).Encode())
}

// checkBranches holds that each record of the branches behind their partings is stored once, and nothing else is.
func (w *world) checkBranches(id events.DeviceID, want ...[]byte) {
	w.t.Helper()
	var got [][]byte
	for _, m := range w.storedOn(wire.BranchSubject(id)) {
		if m.commit.Seq != m.commit.Range.To || len(m.commit.Parted) == 0 {
			w.t.Errorf("commit record %+v", m.commit)
		}
		got = append(got, m.records...)
	}
	slices.SortFunc(got, bytes.Compare)
	slices.SortFunc(want, bytes.Compare)
	if !slices.EqualFunc(got, want, bytes.Equal) {
		w.t.Fatalf("%d records are on branches, not these %d", len(got), len(want))
	}
}

// checkParted holds where the branches part, by the records with which they say that they begin.
func (w *world) checkParted(id events.DeviceID, want map[events.Hash][]events.Parting) {
	w.t.Helper()
	got := map[events.Hash][]events.Parting{}
	for _, m := range w.storedOn(wire.BranchSubject(id)) {
		if p := m.commit.Parted; p[len(p)-1].Seq == m.commit.Range.From {
			got[events.HashRecord(m.records[0])] = p
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		w.t.Error(diff)
	}
}

func TestFork(t *testing.T) {
	w := newWorld(t)
	var saw forks
	main := w.device("tab-1")
	w.run(w.forking(main, &saw))
	main.writeOrdinary(6)
	other, third := main.branchAt(3), main.branchAt(5)
	main.sends(1, 4)
	main.sends(5, 6)
	main.writeOrdinary(2) // 7, 8: not sent
	other.writeOrdinary(2)
	other.renew(nil) // 6
	fourth := other.branchAt(5)
	other.writeOrdinary(4)
	third.writeOrdinary(3)
	fourth.writeOrdinary(3)
	before := w.stored("tab-1")

	// While there is no fork, what goes on from the chain is no branch, and what is there freezes nobody.
	if a := main.brings(7, 8); a.Status != wire.Refused {
		t.Errorf("a branch that is none: %s", a.Status)
	}
	if a := main.brings(2, 6); a.Status != wire.OK {
		t.Errorf("what is there: %s: %s", a.Status, a.Reason)
	}
	if len(saw.seen()) != 0 {
		t.Fatalf("seen: %+v", saw.seen())
	}
	for name, q := range map[string]wire.PushRequest{
		"from a link that nobody has": func() wire.PushRequest { q := other.push(4, 5); q.Link[0]++; return q }(),
		"behind a gap":                other.push(5, 6),
		"sealed by somebody else":     func() wire.PushRequest { q := other.push(4, 5); q.Seals[0].Signature[0]++; return q }(),
		"a renewal in the middle":     other.push(4, 8),
	} {
		if a := other.ask(wire.Branch, q.Encode()); a.Status != wire.Refused || len(saw.seen()) != 0 {
			t.Errorf("%s: %s, seen %+v", name, a.Status, saw.seen())
		}
	}

	// It begins anywhere before the parting, goes on in pieces of any size, and can be brought again.
	for _, part := range [][2]events.Seq{{2, 4}, {2, 5}, {4, 6}, {4, 6}, {7, 8}, {8, 10}} {
		if a := other.brings(part[0], part[1]); a.Status != wire.OK {
			t.Fatalf("%v: %s: %s", part, a.Status, a.Reason)
		}
	}
	if want := []Fork{{"tab-1", 4, other.links[4]}}; !slices.Equal(saw.seen(), want) {
		t.Errorf("seen: %+v, want %+v", saw.seen(), want)
	}
	// Neither copy gets anything into RECORDS now, and both are told.
	for _, d := range []*device{main, other} {
		if a := d.ask(wire.Push, d.push(7, 8).Encode()); a.Status != wire.Fork {
			t.Errorf("a push of a frozen device: %s", a.Status)
		}
	}
	if a := main.hello(6, main.links[6], nil); a.Status != wire.Fork {
		t.Errorf("hello of the copy whose chain is there: %s", a.Status)
	}
	// The rest of the first, a third that parts later, and a fourth that parts from the second: each record once.
	w.run(w.forking(main, &saw)) // another gate, which knows nothing yet
	for _, b := range []struct {
		d           *device
		first, last events.Seq
	}{{main, 7, 8}, {third, 6, 8}, {fourth, 4, 8}, {fourth, 6, 8}} {
		if a := b.d.brings(b.first, b.last); a.Status != wire.OK {
			t.Fatalf("%d to %d: %s: %s", b.first, b.last, a.Status, a.Reason)
		}
	}
	want := slices.Concat(other.chain[3:], main.chain[6:], third.chain[5:], fourth.chain[5:])
	w.checkBranches("tab-1", want...)
	if len(saw.seen()) != 1 {
		t.Errorf("seen: %+v", saw.seen())
	}
	at := func(seq events.Seq, d, other *device) events.Parting {
		return events.Parting{Seq: seq, Link: d.links[seq], Other: other.links[seq]}
	}
	w.checkParted("tab-1", map[events.Hash][]events.Parting{
		events.HashRecord(other.chain[3]):  {at(4, other, main)},
		events.HashRecord(main.chain[6]):   {at(7, main, main)},
		events.HashRecord(third.chain[5]):  {at(6, third, main)},
		events.HashRecord(fourth.chain[5]): {at(4, other, main), at(6, fourth, other)},
	})
	if after := w.stored("tab-1"); !reflect.DeepEqual(after, before) {
		t.Errorf("%d messages were on the device's own subject, now %d", len(before), len(after))
	}
}

// A device whose copies part again and again is stopped before whoever reads has too much to look at; and what is stored of
// its branches has a bound.
func TestBranchesAreBounded(t *testing.T) {
	w := newWorld(t)
	main := w.device("tab-1")
	main.writeOrdinary(mostPartings + 1)
	var saw forks
	g := w.forking(main, &saw)
	w.run(g)
	main.sends(1, mostPartings+1)
	var last *device
	for n := range events.Seq(mostPartings) {
		b := main.branchAt(n)
		b.writeOrdinary(1)
		if a := b.brings(n+1, n+1); a.Status != wire.OK {
			t.Fatalf("branch %d: %s: %s", n+1, a.Status, a.Reason)
		}
		last = b
	}
	more := main.branchAt(mostPartings)
	more.writeOrdinary(1)
	if a := more.brings(mostPartings+1, mostPartings+1); a.Status != wire.Refused {
		t.Errorf("parting %d: %s", mostPartings+1, a.Status)
	}
	last.writeOrdinary(1) // what goes on parts from nothing
	if a := last.brings(mostPartings+1, mostPartings+1); a.Status != wire.OK {
		t.Errorf("more of a branch: %s: %s", a.Status, a.Reason)
	}
	last.writeOrdinary(1)
	g.trees.Lock()
	g.tree.bytes = maxBranches - 10
	g.trees.Unlock()
	if a := last.brings(mostPartings+2, mostPartings+2); a.Status != wire.Refused {
		t.Errorf("more than the bytes that are stored: %s", a.Status)
	}
}

// A branch that RECORDS has lost is stored again from where it was kept, once, and says of itself what it said.
func TestBranchIsRestored(t *testing.T) {
	w := newWorld(t)
	main := w.device("tab-1")
	main.writeOrdinary(4)
	other := main.branchAt(2)
	other.writeOrdinary(3)
	var saw forks
	w.run(w.forking(main, &saw))
	main.sends(1, 4)
	for _, part := range [][2]events.Seq{{3, 4}, {5, 5}} {
		if a := other.brings(part[0], part[1]); a.Status != wire.OK {
			t.Fatalf("%s: %s", a.Status, a.Reason)
		}
	}
	kept := w.storedOn(wire.BranchSubject("tab-1"))

	after := newWorld(t)
	again := *main
	again.w = after
	g := after.forking(main, &saw)
	after.run(g)
	known, _ := w.find("tab-1")
	restore := func(n int) error {
		m := kept[n]
		return g.Restore(t.Context(), known, wire.Place{Seq: m.seq, Hash: wire.HashData(m.data), Created: 1}, m.commit, m.records)
	}
	if err := restore(0); !errors.Is(err, ErrGap) {
		t.Errorf("before its device's own records: %v", err)
	}
	for _, m := range w.stored("tab-1") {
		if err := g.Restore(t.Context(), known, wire.Place{Seq: m.seq, Hash: wire.HashData(m.data), Created: 1}, m.commit, m.records); err != nil {
			t.Fatal(err)
		}
	}
	if err := restore(1); !errors.Is(err, ErrGap) {
		t.Errorf("before its beginning: %v", err)
	}
	for range 2 {
		for n := range kept {
			if err := restore(n); err != nil {
				t.Fatal(err)
			}
		}
	}
	after.checkBranches("tab-1", other.chain[2:]...)
	for n, m := range after.storedOn(wire.BranchSubject("tab-1")) {
		if !slices.Equal(m.commit.Parted, kept[n].commit.Parted) || m.commit.Link != kept[n].commit.Link {
			t.Errorf("%+v, was %+v", m.commit, kept[n].commit)
		}
		if r, err := wire.DecodeReceipt(m.commit.Original); err != nil || r.Received != kept[n].commit.Received {
			t.Errorf("its first receipt: %+v, %v", r, err)
		}
	}
}

// A message of a branch that leads on from one that RECORDS has lost stands in nobody's way: its device brings all of the
// branch again, or what was lost is stored again from where it was kept.
func TestBranchWithAHole(t *testing.T) {
	w := newWorld(t)
	main := w.device("tab-1")
	main.writeOrdinary(4)
	other := main.branchAt(2)
	other.writeOrdinary(4)
	var saw forks
	w.run(w.forking(main, &saw))
	main.sends(1, 4)
	for _, part := range [][2]events.Seq{{3, 4}, {5, 6}} {
		if a := other.brings(part[0], part[1]); a.Status != wire.OK {
			t.Fatalf("%s: %s", a.Status, a.Reason)
		}
	}
	kept := w.storedOn(wire.BranchSubject("tab-1"))
	known, _ := w.find("tab-1")
	for name, mend := range map[string]func(g *Gate, brings func(first events.Seq, want wire.Status)){
		"by its device": func(g *Gate, brings func(events.Seq, wire.Status)) { brings(3, wire.OK) },
		"from where it was kept": func(g *Gate, _ func(events.Seq, wire.Status)) {
			m := kept[0]
			if err := g.Restore(t.Context(), known, wire.Place{Seq: m.seq, Hash: wire.HashData(m.data), Created: 1}, m.commit, m.records); err != nil {
				t.Error(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			after := newWorld(t)
			g := after.forking(main, &saw)
			for _, m := range w.stored("tab-1") {
				if _, err := g.cfg.Log.records.append(t.Context(), "tab-1", 0, m.data); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := g.cfg.Log.branches.append(t.Context(), "tab-1", 0, kept[1].data); err != nil {
				t.Fatal(err)
			}
			brings := func(first events.Seq, want wire.Status) {
				t.Helper()
				a, err := g.branch(t.Context(), "tab-1", known, other.push(first, 6).Encode())
				if err != nil || a.Status != want {
					t.Errorf("from record %d on: %s: %s, %v; want %s", first, a.Status, a.Reason, err, want)
				}
			}
			brings(6, wire.Refused) // nothing leads there
			mend(g, brings)
			brings(6, wire.OK)
			n := len(after.storedOn(wire.BranchSubject("tab-1")))
			if brings(3, wire.OK); len(after.storedOn(wire.BranchSubject("tab-1"))) != n {
				t.Error("what is there is stored once more")
			}
		})
	}
}

// A hello for another link at the cursor is signed by the device's key: it freezes. Where that cannot be written down the
// device is told to come again, and nothing of a branch is stored.
func TestForkSeenAtHello(t *testing.T) {
	w := newWorld(t)
	main := w.device("tab-1")
	main.writeOrdinary(2)
	other := main.branchAt(1)
	other.writeOrdinary(1)
	var saw forks
	g := w.forking(main, &saw)
	freeze := g.cfg.Forked
	g.cfg.Forked = func(Fork) error { return errors.New("the disk is full") }
	stop := w.run(g)
	main.sends(1, 2)
	if a := other.hello(2, other.links[2], nil); a.Status != wire.Busy {
		t.Errorf("hello: %s", a.Status)
	}
	if a := other.brings(2, 2); a.Status != wire.Busy {
		t.Errorf("branch: %s", a.Status)
	}
	w.checkBranches("tab-1")
	stop()
	g = w.forking(main, &saw)
	g.cfg.Forked = freeze
	w.run(g)
	if a := other.hello(2, other.links[2], nil); a.Status != wire.Fork || !slices.Equal(saw.seen(), []Fork{{"tab-1", 2, other.links[2]}}) {
		t.Errorf("hello: %s, seen %+v", a.Status, saw.seen())
	}
	if a := main.hello(2, main.links[2], nil); a.Status != wire.Fork {
		t.Errorf("hello of the other copy: %s", a.Status)
	}
}
