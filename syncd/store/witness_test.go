package store

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/witness"
)

// book is a public log in memory. It begins with leaves of records of long ago, so that a story can tell of checkpoints.
type book struct {
	leaves   []events.Hash
	received []events.Millis
	places   map[events.Target]uint64
	newest   checkpoint.Checkpoint
	broken   error
}

const (
	origin  = "ullage.log/test/1"
	longAgo = 8
)

func newBook() *book {
	b := &book{places: map[events.Target]uint64{}}
	for n := range longAgo {
		b.add(events.Target{Device: "tab-0", Seq: events.Seq(n + 1), Hash: events.Hash{byte(n + 1)}}, events.MillisOf(began.Add(time.Duration(n-longAgo)*time.Hour)))
	}
	return b
}

func (b *book) add(t events.Target, at events.Millis) {
	if _, ok := b.places[t]; !ok {
		b.places[t] = uint64(len(b.leaves))
		b.leaves, b.received = append(b.leaves, t.Hash), append(b.received, at)
	}
}

// take puts what some messages bring into the log.
func (b *book) take(messages []sent) {
	for _, m := range messages {
		for i := range m.brings {
			b.add(m.brings[i].Target(), m.brings[i].Received)
		}
	}
}

func (b *book) at(size int) checkpoint.Checkpoint {
	return checkpoint.Checkpoint{Origin: origin, Size: uint64(size), Root: checkpoint.Root(b.leaves[:size])}
}

func (b *book) Newest() checkpoint.Signed {
	if b.newest.Size != uint64(len(b.leaves)) {
		b.newest = b.at(len(b.leaves))
	}
	return checkpoint.Signed{Checkpoint: b.newest}
}

func (b *book) Leaf(device events.DeviceID, seq events.Seq, hash events.Hash) (uint64, bool) {
	i, ok := b.places[events.Target{Device: device, Seq: seq, Hash: hash}]
	return i, ok
}

func (b *book) Root(size uint64) (events.Hash, error) {
	return checkpoint.Root(b.leaves[:size]), b.broken
}

func (b *book) Received(size uint64) (events.Millis, bool) {
	if size == 0 {
		return 0, false
	}
	return b.received[size-1], true
}

func saw(c checkpoint.Checkpoint) *events.CheckpointSeen {
	return &events.CheckpointSeen{Origin: c.Origin, Size: int64(c.Size), Root: c.Root}
}

// seenBy draws a checkpoint that a device says it has seen: of the log, of an epoch before, of another past, too large.
func seenBy(s *story) events.Body {
	c := newBook().at(s.number("size", 0, longAgo))
	switch s.number("seen", 0, 7) {
	case 0:
		c.Origin = "ullage.log/test/0"
	case 1:
		c.Root[3] ^= 1
	case 2:
		c.Size += 1000
	case 3:
		return &events.CheckpointSeen{Origin: origin, Size: -1, Root: c.Root}
	}
	return saw(c)
}

func clockOf(s *story) events.Body {
	if s.number("clock", 0, 2) == 0 {
		return &events.ClockChecked{SteppedMs: ptr(int64(-90_000))}
	}
	return &events.ClockChecked{OffsetMs: ptr(int64(s.number("offset", -5, 5)) * 600_000), RoundTripMs: ptr(int64(80))}
}

// witnessed is what stands about records as somebody finds it who looks at everything for each of them.
func witnessed(arrivals []projections.Arrival, b *book, of []projections.Fact) (all []witness.Said) {
	world := projections.Resolve(arrivals, projections.Now).All
	holds := func(s *events.CheckpointSeen) bool {
		return s.Size >= 0 && s.Size <= int64(len(b.leaves)) && b.at(int(s.Size)).Root == s.Root
	}
	for i := range of {
		f := &of[i]
		said := witness.Said{NotAfter: f.Received, Stage: projections.Received}
		leaf, logged := b.places[f.Target()]
		if logged {
			said.Stage = projections.Logged
		}
		var before, after *witness.Offset // the nearest
		var from, to events.Seq           // of the run
		own := false
		for k := range world {
			w := &world[k]
			if w.Held != "" || len(w.Parted) > 0 {
				continue
			}
			branch := len(f.Parted) > 0
			switch c := projections.Read(w.Record.Kind, w.Record.V, w.Record.Body).Body.(type) {
			case *events.CheckpointSeen:
				if w.Record.Device == f.Record.Device && w.Record.Seq < f.Record.Seq && c.Size > 0 && holds(c) && (!branch || w.Record.Seq < f.Parted[0].Seq) {
					said.NotBefore = max(said.NotBefore, b.received[c.Size-1])
				}
				if logged && w.Record.Device != f.Record.Device && !byOffice(w.Record.Device) && w.State == projections.Stands && w.Branch == projections.Undivided && c.Origin == origin && holds(c) && uint64(c.Size) > leaf {
					said.Stage = projections.CrossChecked
				}
				own = own || w.Hash == f.Hash && c.Size >= 0 && !holds(c) // less is odd, and flagged as that
			case *events.ClockChecked:
				if n := w.Record.Seq; branch {
					continue
				} else if w.Record.Device == f.Record.Device && n <= f.Record.Seq && n > from {
					from, before = n, nil
					if c.OffsetMs != nil {
						before = &witness.Offset{Millis: events.Millis(*c.OffsetMs)}
					}
				} else if w.Record.Device == f.Record.Device && n > f.Record.Seq && (to == 0 || n < to) {
					to, after = n, nil
					if c.OffsetMs != nil {
						after = &witness.Offset{Millis: events.Millis(*c.OffsetMs), After: true}
					}
				}
			}
		}
		stated := f.Record.Clock.At()
		can := func(at events.Millis) bool { return at+2000 >= said.NotBefore && at-2000 <= said.NotAfter }
		if !can(stated) {
			said.Flags = append(said.Flags, "clock-off")
		}
		if said.Offset = before; before == nil {
			said.Offset = after
		}
		if o := said.Offset; o != nil && can(stated+o.Millis) {
			said.Likely = min(max(stated+o.Millis, said.NotBefore), said.NotAfter)
		}
		if own {
			said.Flags = append(said.Flags, "not-of-log")
		}
		all = append(all, said)
	}
	return all
}

// watch draws a story of devices that say much of the log and of their clocks.
func watch(t *rapid.T, tb testing.TB) *story {
	s := tell(t, tb)
	for range s.number("words", 0, 40) {
		by := pick(s, "by", s.pads...)
		switch s.number("word", 0, 7) {
		case 0, 1, 2, 3:
			s.write(by, on{}, seenBy(s))
		case 4:
			s.write(by, on{}, clockOf(s))
		case 5:
			target := s.lines[s.number("target", 0, len(s.lines)-1)].record()
			s.write(s.pads[2], on{}, &events.RecordWithdrawn{Target: target.Target(), Why: events.Text{Plain: "never"}})
		default:
			s.write(by, on{}, &events.NoteWritten{Text: events.Text{Plain: "x"}})
		}
	}
	return s
}

// Whatever is asked, in whatever order it came: the answer is that of somebody who looks at everything.
func TestWitness(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		messages := arrive(rt, receive(rt, watch(rt, t)))
		s := deliver(rt, tempDir(rt), messages)
		b := newBook()
		b.take(messages[:rapid.IntRange(0, len(messages)).Draw(rt, "logged")])
		for _, m := range messages { // so that what a story can tell of covers them, or not
			for i := range m.brings {
				if _, ok := b.places[m.brings[i].Target()]; ok {
					b.places[m.brings[i].Target()] = rapid.Uint64Range(0, longAgo).Draw(rt, "leaf")
				}
			}
		}
		h, _, err := s.Audit(context.Background(), audit.Query{}, projections.Now)
		if err != nil {
			rt.Fatal(err)
		}
		lists := map[string][]projections.Fact{"everything": h.All}
		for _, f := range h.All {
			lists[f.Hash.String()] = []projections.Fact{f}
			if rapid.Bool().Draw(rt, "some") {
				lists["some"] = append(lists["some"], f)
			}
		}
		for name, list := range lists {
			got, err := s.Witness(context.Background(), b, list)
			if err != nil {
				rt.Fatal(err)
			}
			want := witnessed(arrivals(messages), b, list)
			for i := range list {
				if !reflect.DeepEqual(got[i], want[i]) {
					rt.Errorf("%s: record %d of %s:\n got %+v\nwant %+v", name, list[i].Record.Seq, list[i].Record.Device, got[i], want[i])
				}
			}
		}
		if err := s.Close(); err != nil {
			rt.Error(err)
		}
	})
}

// What a device has checked stands for others until it is withdrawn, by those who may.
func TestWithdrawnGuard(t *testing.T) {
	d := newDesk(t)
	record := d.tell(d.one, 1, atYard, dipped(100))
	b := newBook()
	b.take(d.messages)
	seen := d.tell(d.two, 2, on{}, saw(b.Newest().Checkpoint))
	stage := func(want projections.Stage) {
		t.Helper()
		h, _, err := d.s.Audit(soon(t), audit.Query{Machine: "m-1"}, projections.Now)
		if err != nil {
			t.Fatal(err)
		}
		said, err := d.s.Witness(soon(t), b, h.All)
		if err != nil || len(said) != 1 || said[0].Stage != want || h.All[0].Hash != record.Hash {
			t.Errorf("%+v, %v; want %s", said, err, want)
		}
	}
	stage(projections.CrossChecked)
	withdrawn := &events.RecordWithdrawn{Target: seen.Target(), Why: events.Text{Plain: "never"}}
	d.held(d.one, 3, on{}, withdrawn) // which it may not
	stage(projections.CrossChecked)
	d.tell(d.office, 4, on{}, withdrawn)
	stage(projections.Logged)
	d.tell(d.office, 5, on{}, saw(b.Newest().Checkpoint)) // the centre vouches for itself
	stage(projections.Logged)
	d.tell(d.two, 6, on{}, saw(b.Newest().Checkpoint))
	stage(projections.CrossChecked)
	b.broken = errors.New("the disk is gone")
	if said, err := d.s.Witness(soon(t), b, nil); !errors.Is(err, b.broken) || said != nil {
		t.Errorf("with a log that cannot be read: %+v, %v", said, err)
	}
}

// A range that was healed was written by the time of its first receipt, whatever came when.
func TestWitnessOfHealed(t *testing.T) {
	d := newDesk(t)
	d.tell(d.one, 1, atYard, dipped(100))
	first := d.messages[0].brings[0].Received
	healed := stretch{d.one, 0, 1, first - 60_000}.send(2, 5_400_000) // the receipt before was on the device
	d.messages = append(d.messages, healed)
	if err := d.e.apply([]*message{healed.read(t)}); err != nil {
		t.Fatal(err)
	}
	h, _, err := d.s.Audit(soon(t), audit.Query{Machine: "m-1"}, projections.Now)
	if err != nil {
		t.Fatal(err)
	}
	b := newBook()
	b.take(d.messages)
	said, err := d.s.Witness(soon(t), b, h.All)
	if err != nil || len(said) != 1 || said[0].NotAfter != first-60_000 || said[0].Stage != projections.Logged || len(b.leaves) != longAgo+1 {
		t.Errorf("%+v, %v", said, err)
	}
}

// What the model says that devices say is not taken where it is damaged.
func TestWitnessDamaged(t *testing.T) {
	d := newDesk(t)
	d.tell(d.one, 1, on{}, saw(newBook().at(3)))
	if err := d.e.exec(`UPDATE seen SET root=x'00'`); err != nil {
		t.Fatal(err)
	}
	if _, err := d.s.Witness(soon(t), newBook(), nil); err == nil || !strings.Contains(err.Error(), "record 1 of tab-1") {
		t.Errorf("%v", err)
	}
}
