package store

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// visitOf puts readings of a visit into a pad: what stood in the bath on arrival, what was added, what stood there then.
func visitOf(p *pad, n int, at time.Time, found, added, left float64) (arrival *written) {
	o := atYard
	o.visit = visit(n)
	volume := func(moment events.Word, litres float64) *events.ReadingTaken {
		return &events.ReadingTaken{Quantity: "volume", Value: &litres, U: ptr(1.0), Method: "dip", Moment: moment}
	}
	arrival = p.write(at, o, volume("arrival", found))
	arrival = &written{raw: arrival.raw, Arrival: arrival.Arrival}
	p.write(at.Add(time.Minute), o, &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: added, U: ptr(0.5)})
	p.write(at.Add(2*time.Minute), o, volume("departure", left))
	return arrival
}

// A record that comes late and changes a span that was closed is told, with what it was and is, and what caused it.
// What only goes on is not.
func TestRestatements(t *testing.T) {
	d := newDesk(t)
	d.enter()
	first := visitOf(d.one, 1, began, 100, 20, 120)
	d.push(d.one)
	visitOf(d.one, 2, began.Add(24*time.Hour), 119, 10, 129)
	d.push(d.one)
	visitOf(d.two, 3, began.Add(48*time.Hour), 128, 0, 128)
	d.push(d.two)
	if all, err := d.s.Restatements(context.Background(), ""); err != nil || len(all) > 0 {
		t.Errorf("told though nothing changed: %+v, %v", all, err)
	}

	// The pail that was forgotten: it belongs into the first visit.
	late := on{site: "yard", machine: "m-1", visit: visit(1)}
	d.two.write(began.Add(time.Minute), late, &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 8, U: ptr(0.5)})
	by := d.push(d.two)
	all, err := d.s.Restatements(context.Background(), "m-1")
	if err != nil {
		t.Fatal(err)
	}
	span := "span/bath/" + visit(1).String() + ".arrival/" + visit(1).String() + ".departure/"
	var what []string
	for _, r := range all {
		what = append(what, strings.TrimPrefix(r.What, span))
		if r.ID != projections.RestatementID(by.place.Hash, "ledger", "m-1", r.What) || r.CausedBy != by.place.Hash || r.Projection != "ledger" || r.Machine != "m-1" {
			t.Errorf("%+v", r)
		}
		if r.What == span+"unexplained_l" && (!strings.HasPrefix(r.Old, `{"value":0,`) || !strings.HasPrefix(r.New, `{"value":8,`)) {
			t.Errorf("%s: from %s to %s", r.What, r.Old, r.New)
		}
	}
	if want := []string{"grade", "unexplained_l"}; !slices.Equal(what, want) {
		t.Errorf("told %q, want %q", what, want)
	}

	// A reading that never was: its results vanish.
	d.tell(d.office, 10, late, &events.RecordWithdrawn{Target: first.Target(), Why: events.Text{Plain: "another tank"}})
	vanished, err := d.s.Restatements(context.Background(), "m-1")
	if err != nil {
		t.Fatal(err)
	}
	if vanished = vanished[len(all):]; len(vanished) < 3 || slices.ContainsFunc(vanished, func(r Restatement) bool { return r.New != "" }) {
		t.Errorf("%+v", vanished)
	}
	if other, err := d.s.Restatements(context.Background(), "m-2"); err != nil || len(other) > 0 {
		t.Errorf("of another machine: %+v, %v", other, err)
	}
}

// An entry of the register that counts from before a reading changes what was made of it; one that counts from behind
// does not.
func TestRegisterRestates(t *testing.T) {
	d := newDesk(t)
	d.enter()
	o := atYard
	o.visit = visit(1)
	d.tell(d.one, 10, o, &events.ReadingTaken{Quantity: "volume", Value: ptr(100.0), U: ptr(1.0), Method: "meter", Moment: "arrival", Instrument: "dip-1"})
	count := func() int {
		t.Helper()
		all, err := d.s.Restatements(context.Background(), "")
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	d.tell(d.two, 20, on{}, &events.InstrumentChecked{Instrument: "dip-1", Result: "pass"})
	if n := count(); n != 0 {
		t.Errorf("%d restatements by a check that came behind the reading", n)
	}
	d.tell(d.two, 5, on{}, &events.InstrumentChecked{Instrument: "dip-1", Result: "pass"})
	if n := count(); n != 1 {
		t.Errorf("%d restatements by a check before the reading, which halves its uncertainty", n)
	}
}

// A transaction that fails leaves the model as it was, whatever it had done, and the same messages go in afterwards.
func TestFailedTransaction(t *testing.T) {
	messages := run(t, 1000, 2).messages
	dir := t.TempDir()
	s, e := opened(t, dir)
	batch := func(from, to int) (all []*message) {
		for _, m := range messages[from:to] {
			all = append(all, m.read(t))
		}
		return all
	}
	half := len(messages) / 2
	if err := e.apply(batch(0, half)); err != nil {
		t.Fatal(err)
	}
	bad := batch(half, len(messages))
	bad = append(bad, bad[0]) // which is there by then
	if err := e.apply(bad); err == nil {
		t.Fatal("the same message went in twice")
	}
	if got := s.Place(); got != messages[half-1].place {
		t.Errorf("it stands at %v", got)
	}
	if _, ok := e.m.pushes.get(uint64(half + 1)); ok {
		t.Error("it remembers a message that is not there")
	}
	if err := e.apply(batch(half, len(messages))); err != nil {
		t.Fatal(err)
	}
	e.close()
	shut(t, s)

	other := t.TempDir()
	s, e = opened(t, other)
	if err := e.apply(batch(0, len(messages))); err != nil {
		t.Fatal(err)
	}
	e.close()
	shut(t, s)
	if got, want := tables(t, dir), tables(t, other); got != want {
		t.Error(difference(got, want))
	}
}

// Messages that are missing in the stream are passed over, and told.
func TestGap(t *testing.T) {
	messages := run(t, 300, 2).messages
	s, e := opened(t, t.TempDir())
	defer shut(t, s)
	defer e.close()
	first, last := messages[0].read(t), messages[len(messages)-1].read(t)
	last.place.Seq = 9
	for i := range last.arrivals {
		last.arrivals[i].push = 9
	}
	if err := e.apply([]*message{first, last}); err != nil {
		t.Fatal(err)
	}
	unread, err := s.Unread(soon(t))
	if want := (Unread{2, 8, "not in the stream"}); err != nil || len(unread) != 1 || unread[0] != want {
		t.Errorf("%+v, %v", unread, err)
	}
}

// The records of a message that are not what they should be are held, whatever the commit record says; a message that
// contradicts itself is none.
func TestOddMessages(t *testing.T) {
	p := newPad(t, "tab-1")
	p.write(began, atYard, dipped(100))
	p.writeBytes([]byte{0xc1}).held = ""
	other := newPad(t, "tab-2")
	other.write(began, atYard, dipped(100))
	p.writeBytes(other.written[0].raw).held = "" // another's record in this one's place
	p.write(began, atYard, dipped(101))
	m := stretch{p, 0, 4, 1}.send(1, 0).read(t)
	for i, held := range []bool{false, true, true, false} {
		if a := m.arrivals[i]; (a.Held != "") != held || a.Record.Device != "tab-1" || a.Record.Seq != events.Seq(i+1) || (a.Content == nil) != held {
			t.Errorf("record %d: %+v", i+1, a)
		}
	}
	c, raws, err := wire.DecodeStored(m.data)
	if err != nil {
		t.Fatal(err)
	}
	x := *c
	x.Original = []byte{1}
	if _, err := readMessage(wire.Place{Seq: 1}, wire.EncodeStored(&x, raws), byOffice); err == nil {
		t.Error("a healed range without a receipt is taken")
	}
}

// Questions about single records.
func TestRecords(t *testing.T) {
	ctx := context.Background()
	d := newDesk(t)
	d.enter()
	for n := range 5 {
		d.one.write(began.Add(time.Duration(n)*time.Minute), atYard, dipped(float64(n)))
	}
	d.push(d.one)
	target := d.one.written[2].Target()
	fix := d.tell(d.two, 9, atYard, &events.RecordAmended{Target: target, By: "T9", Why: events.Text{Plain: "x"}})
	for n := range 3 {
		d.one.write(began.Add(time.Duration(n+10)*time.Minute), atYard, dipped(float64(n)))
	}
	d.push(d.one)
	for _, w := range d.one.written {
		raw, ok, err := d.s.ByID(ctx, w.Record.ID)
		if err != nil || !ok || !bytes.Equal(raw, w.raw) {
			t.Errorf("record %d by its id: %v, %v", w.Record.Seq, ok, err)
		}
		a, err := d.s.Record(ctx, w.Target())
		if err != nil || a.Hash != w.Hash || a.Record.Machine != "m-1" {
			t.Errorf("record %d: %+v, %v", w.Record.Seq, a, err)
		}
	}
	if _, ok, err := d.s.ByID(ctx, events.NewRecordID(d.one.written[3].Record.ID.At(), [10]byte{9})); ok || err != nil {
		t.Errorf("an id that nobody has: %v, %v", ok, err)
	}
	for _, none := range []events.Target{{Device: "tab-1", Seq: 3}, {Device: "tab-1", Seq: 99, Hash: target.Hash}, {Device: "tab-9", Seq: 3, Hash: target.Hash}} {
		if _, err := d.s.Record(ctx, none); !errors.Is(err, ErrNotThere) {
			t.Errorf("%v: %v", none, err)
		}
	}
	if raws, err := d.s.Corrections(ctx, target); err != nil || len(raws) != 1 || !bytes.Equal(raws[0], fix.raw) {
		t.Errorf("%d corrections, %v", len(raws), err)
	}
	if raws, err := d.s.Corrections(ctx, events.Target{Device: target.Device, Seq: target.Seq}); err != nil || len(raws) != 0 {
		t.Errorf("%d corrections of another record of that number, %v", len(raws), err)
	}
	for _, c := range []struct{ from, to, want int }{{1, 8, 8}, {1, 5, 5}, {3, 7, 5}, {6, 6, 1}, {8, 99, 1}, {9, 9, 0}} {
		raws, err := d.s.Own(ctx, "tab-1", wire.Range{From: events.Seq(c.from), To: events.Seq(c.to)})
		if err != nil || len(raws) != c.want {
			t.Fatalf("own records %d to %d: %d, want %d; %v", c.from, c.to, len(raws), c.want, err)
		}
		for i, raw := range raws {
			if !bytes.Equal(raw, d.one.written[c.from-1+i].raw) {
				t.Errorf("own record %d is another", c.from+i)
			}
		}
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := d.s.Machines(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("asked in vain: %v", err)
	}
}

// One answer to "back" holds so many records, and so many bytes.
func TestOwnIsBounded(t *testing.T) {
	d := newDesk(t)
	text := strings.Repeat("a", events.MaxText)
	for range 3 {
		for range wire.MaxRecords {
			d.one.write(began, on{}, &events.NoteWritten{Text: events.Text{Plain: text}})
		}
		d.push(d.one)
	}
	all := wire.Range{From: 1, To: 99_999}
	raws, err := d.s.Own(context.Background(), "tab-1", all)
	if err != nil || len(raws) != wire.MaxRecords {
		t.Errorf("%d records, %v", len(raws), err)
	}
	big := bytes.Repeat([]byte{0xc1}, events.MaxRecord)
	for range 9 {
		d.two.writeBytes(big)
	}
	d.push(d.two)
	raws, err = d.s.Own(context.Background(), "tab-2", all)
	if err != nil || len(raws) != wire.MaxPull/events.MaxRecord {
		t.Errorf("%d large records, %v", len(raws), err)
	}
}
