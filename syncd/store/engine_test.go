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
	told := 0
	want := func(n int, why string) {
		t.Helper()
		all, err := d.s.Restatements(context.Background(), "")
		if err != nil {
			t.Fatal(err)
		}
		if len(all)-told != n {
			t.Errorf("%s: %d restatements, want %d", why, len(all)-told, n)
		}
		told = len(all)
	}
	metered := func(code events.Code) *events.ReadingTaken {
		return &events.ReadingTaken{Quantity: "volume", Value: ptr(100.0), U: ptr(1.0), Method: "meter", Moment: "arrival", Instrument: code}
	}
	check := func(result events.Word) *events.InstrumentChecked {
		return &events.InstrumentChecked{Instrument: "dip-1", Result: result}
	}
	d.tell(d.one, 10, o, metered("dip-1"))
	d.tell(d.two, 20, on{}, check("pass"))
	want(0, "a check behind the reading")
	early := d.tell(d.two, 5, on{}, check("pass"))
	want(1, "a check before the reading, which halves its uncertainty")
	d.e.forget()
	d.tell(d.two, 6, on{}, check("fail"))
	want(1, "a failed one, and the machine is not remembered")
	failed := d.two.written[len(d.two.written)-1]
	d.e.forget()
	d.tell(d.two, 30, on{}, &events.RecordAmended{Target: failed.Target(), Done: "2026-03-02T08:15:00Z", Why: events.Text{Plain: "later"}})
	want(1, "the failed one is put behind the reading")
	d.tell(d.two, 40, on{}, &events.RecordWithdrawn{Target: early.Target(), Why: events.Text{Plain: "never"}})
	want(1, "the good one is withdrawn")

	// What lies in the future counts from its receipt.
	d.two.write(began.Add(99*time.Hour), on{}, check("pass"))
	x := stretch{d.two, d.two.pushed, len(d.two.written), events.MillisOf(began) + 60_000}
	d.two.pushed = x.to
	m := x.send(uint64(len(d.messages)+1), 0)
	d.messages = append(d.messages, m)
	if err := d.e.apply([]*message{m.read(t)}); err != nil {
		t.Fatal(err)
	}
	want(1, "a check that claims to be of next week, and was here before the reading")

	// The need, and what touches it, in one transaction.
	o.visit = visit(2)
	d.one.write(began.Add(50*time.Minute), o, metered("dip-2"))
	d.two.write(began.Add(49*time.Minute), on{}, &events.InstrumentChecked{Instrument: "dip-2", Result: "pass"})
	var batch []*message
	for n, p := range []*pad{d.one, d.two} {
		x := stretch{p, p.pushed, len(p.written), events.MillisOf(began) + 9_000_000}
		p.pushed = x.to
		batch = append(batch, x.send(uint64(len(d.messages)+1+n), 0).read(t))
	}
	if err := d.e.apply(batch); err != nil {
		t.Fatal(err)
	}
	want(2, "a check of what the message before has begun to need: the reading, and the span up to it")
}

// What is stored again changes nothing, and is one record still where its receipt is an earlier one.
func TestRepeats(t *testing.T) {
	d := newDesk(t)
	d.enter()
	d.grant(1, "tab-1", "yard")
	wrong := d.tell(d.two, 2, atYard, dipped(100))
	d.tell(d.two, 3, atYard, &events.RecordAmended{Target: wrong.Target(), By: "T9", Why: events.Text{Plain: "x"}})
	d.tell(d.two, 4, atYard, dipped(101))
	one := newCopied("tab-1")
	d.wantPull(one, "office-1/1 office-1/2 office-1/3 tab-2/1 tab-2/2 tab-2/3")
	for healed := range events.Millis(2) {
		x := stretch{d.two, 0, 3, d.messages[len(d.messages)-1].brings[0].Received}
		m := x.send(uint64(len(d.messages)+1), healed*1000)
		d.messages = append(d.messages, m)
		if err := d.e.apply([]*message{m.read(t)}); err != nil {
			t.Fatal(err)
		}
	}
	a, err := d.s.Pull(context.Background(), "tab-1", one.stand)
	if err != nil || len(a.Records) > 0 {
		t.Errorf("%d records are sent again, %v", len(a.Records), err)
	}
	if raws, err := d.s.Corrections(context.Background(), wrong.Target()); err != nil || len(raws) != 1 {
		t.Errorf("%d corrections, %v", len(raws), err)
	}
	early := stretch{d.two, 0, 3, d.messages[len(d.messages)-1].brings[0].Received - 60_000}.send(uint64(len(d.messages)+1), 1000)
	if err := d.e.apply([]*message{early.read(t)}); err != nil {
		t.Fatal(err)
	}
	n := 0
	if err := d.s.Each(context.Background(), func(*projections.Arrival) error { n++; return nil }); err != nil || n != 4+3 {
		t.Errorf("%d records, %v", n, err)
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
	failed := func(batch []*message) {
		t.Helper()
		if err := e.apply(batch); err == nil {
			t.Fatal("it did not fail")
		}
		if got := s.Place(); got != messages[half-1].place {
			t.Errorf("it stands at %v", got)
		}
		if _, ok := e.m.pushes.get(uint64(half + 1)); ok {
			t.Error("it remembers a message that is not there")
		}
	}
	rest := batch(half, len(messages))
	failed(append(rest, rest[0])) // which is there by then
	if err := e.exec(`CREATE TEMP TRIGGER full BEFORE INSERT ON meta BEGIN SELECT RAISE(ABORT, 'the disk is full'); END`); err != nil {
		t.Fatal(err)
	}
	failed(batch(half, len(messages))) // when all is done but for the place
	if err := e.exec(`DROP TRIGGER full`); err != nil {
		t.Fatal(err)
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
		own, err := d.s.Own(ctx, "tab-1", wire.Range{From: events.Seq(c.from), To: events.Seq(c.to)})
		raws := own.Records
		if err != nil || len(raws) != c.want {
			t.Fatalf("own records %d to %d: %d, want %d; %v", c.from, c.to, len(raws), c.want, err)
		}
		for i, raw := range raws {
			if !bytes.Equal(raw, d.one.written[c.from-1+i].raw) {
				t.Errorf("own record %d is another", c.from+i)
			}
		}
		for _, seal := range own.Seals {
			if link := d.one.written[seal.Seq-1].link; !bytes.HasPrefix(seal.Signature, link[:]) || seal.Seq < events.Seq(c.from) || seal.Seq >= events.Seq(c.from+c.want) {
				t.Errorf("own records %d to %d: the seal over record %d is another, or out of place", c.from, c.to, seal.Seq)
			}
		}
		if last := len(own.Seals) - 1; (c.to >= 8) != (last >= 0 && own.Seals[last].Seq == 8) && c.want > 0 {
			t.Errorf("own records %d to %d: seals %+v", c.from, c.to, own.Seals)
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
	own, err := d.s.Own(context.Background(), "tab-1", all)
	if raws := own.Records; err != nil || len(raws) != wire.MaxRecords {
		t.Errorf("%d records, %v", len(raws), err)
	}
	big := bytes.Repeat([]byte{0xc1}, events.MaxRecord)
	for range 9 {
		d.two.writeBytes(big)
	}
	d.push(d.two)
	own, err = d.s.Own(context.Background(), "tab-2", all)
	if raws := own.Records; err != nil || len(raws) != wire.MaxPull/events.MaxRecord {
		t.Errorf("%d large records, %v", len(raws), err)
	}
}

// The link at each record of a chain follows from the messages, wherever they end; a renewal changes the key behind it.
func TestChainAt(t *testing.T) {
	d := newDesk(t)
	ctx := context.Background()
	for n := range 4 {
		for range n + 1 {
			d.one.write(began, on{}, &events.TimeSpent{What: "work", Minutes: 5})
		}
		d.push(d.one)
	}
	renewed := bytes.Repeat([]byte{7}, 32)
	d.one.write(began, on{}, &events.DeviceRenewed{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: renewed}}})
	d.push(d.one)
	for _, w := range d.one.written {
		key := d.one.key
		if w.Record.Seq == 11 {
			key = renewed
		}
		link, got, err := d.s.ChainAt(ctx, "tab-1", w.Record.Seq)
		if err != nil || link != w.link || !bytes.Equal(got, key) {
			t.Errorf("record %d: %s, %x, %v", w.Record.Seq, link, got, err)
		}
	}
	for _, none := range []events.Seq{0, 12} {
		if _, key, err := d.s.ChainAt(ctx, "tab-1", none); key != nil || err != nil {
			t.Errorf("record %d, which is none: %x, %v", none, key, err)
		}
	}
}
