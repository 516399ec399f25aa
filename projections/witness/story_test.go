package witness

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// book is a public log in memory.
type book struct {
	origin   string
	leaves   []events.Hash
	places   map[events.Target]uint64
	received []events.Millis // of each leaf
	signed   uint64          // size of the newest checkpoint
	broken   error
}

func (b *book) Newest() checkpoint.Signed { return checkpoint.Signed{Checkpoint: b.at(b.signed)} }

func (b *book) at(size uint64) checkpoint.Checkpoint {
	if size == 0 {
		return checkpoint.Checkpoint{}
	}
	return checkpoint.Checkpoint{Origin: b.origin, Size: size, Root: checkpoint.Root(b.leaves[:size])}
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

// company is a centre and its devices, as a story has them.
type company struct {
	t       *testing.T
	log     *book
	tellers map[events.DeviceID]*story.Teller
	names   []string
	by      map[string]*projections.Arrival
	waiting map[events.DeviceID][]string
}

func newCompany(t *testing.T) *company {
	return &company{t: t, log: &book{origin: "ullage.log/test/1", places: map[events.Target]uint64{}},
		tellers: map[events.DeviceID]*story.Teller{}, by: map[string]*projections.Arrival{}, waiting: map[events.DeviceID][]string{}}
}

// write lets a device write a record that it names, at a time by its clock.
func (c *company) write(device events.DeviceID, name, clock string, body events.Body) {
	c.t.Helper()
	if c.tellers[device] == nil {
		c.tellers[device] = &story.Teller{Device: device, Office: device == "office-1"}
	}
	a := c.tellers[device].Tell(clock, story.On{}, body)
	a.Received, a.Stage = 0, projections.Kept
	if c.by[name] != nil {
		c.t.Fatalf("two records are named %s", name)
	}
	c.by[name], c.names, c.waiting[device] = &a, append(c.names, name), append(c.waiting[device], name)
}

func (c *company) note(device events.DeviceID, name, clock string) {
	c.t.Helper()
	c.write(device, name, clock, &events.NoteWritten{Text: events.Text{Plain: name}})
}

// saw lets a device write that it has checked a checkpoint.
func (c *company) saw(device events.DeviceID, name, clock string, k checkpoint.Checkpoint) {
	c.t.Helper()
	c.write(device, name, clock, &events.CheckpointSeen{Origin: k.Origin, Size: int64(k.Size), Root: k.Root})
}

// measured lets a device write how its clock stands, in time that the centre's is ahead.
func (c *company) measured(device events.DeviceID, name, clock string, ahead time.Duration) {
	c.t.Helper()
	c.write(device, name, clock, &events.ClockChecked{OffsetMs: story.P(ahead.Milliseconds()), RoundTripMs: story.P(int64(80))})
}

// push receives all that a device has written, at a time by the centre's clock.
func (c *company) push(device events.DeviceID, at string) {
	for _, name := range c.waiting[device] {
		a := c.by[name]
		a.Received, a.Stage = story.Millis(at), projections.Received
		c.log.places[a.Target()] = uint64(len(c.log.leaves))
		c.log.leaves, c.log.received = append(c.log.leaves, a.Hash), append(c.log.received, a.Received)
	}
	delete(c.waiting, device)
	c.log.signed = uint64(len(c.log.leaves))
}

// words are all that devices say.
func (c *company) words() Words {
	w := Words{Chains: map[events.DeviceID]Chain{}}
	for _, name := range c.names {
		a := c.by[name]
		chain := w.Chains[a.Record.Device]
		body := projections.Read(a.Record.Kind, a.Record.V, a.Record.Body).Body
		switch b := body.(type) {
		case *events.CheckpointSeen:
			k := checkpoint.Checkpoint{Origin: b.Origin, Size: uint64(b.Size), Root: b.Root}
			chain.Seen = append(chain.Seen, Seen{a.Record.Seq, a.Hash, k})
			if ok, err := NewJudge(c.log).Holds(k); err == nil && ok && k.Origin == c.log.origin && a.Received != 0 {
				w.Guards = append(w.Guards, Guard{a.Record.Device, k.Size})
			}
		case *events.ClockChecked:
			k := Clock{Seq: a.Record.Seq, NewRun: b.SteppedMs != nil}
			if b.OffsetMs != nil {
				k.Offset = story.P(events.Millis(*b.OffsetMs))
			}
			chain.Clocks = append(chain.Clocks, k)
		}
		w.Chains[a.Record.Device] = chain
	}
	slices.SortStableFunc(w.Guards, func(a, b Guard) int { return cmp.Compare(b.Size, a.Size) })
	return w
}

// told is what stands about each record, by its name.
func (c *company) told() map[string]Said {
	c.t.Helper()
	var all []projections.Arrival
	for _, name := range c.names {
		all = append(all, *c.by[name])
	}
	h := projections.Resolve(all, projections.Now)
	said, err := NewJudge(c.log).Tell(h.All, c.words())
	if err != nil {
		c.t.Fatal(err)
	}
	told := map[string]Said{}
	for i := range h.All {
		for name, a := range c.by {
			if a.Hash == h.All[i].Hash {
				told[name] = said[i]
			}
		}
	}
	return told
}

// want is what a story says of a record: times that may be empty for none, the offset, flags.
type want struct{ name, notBefore, notAfter, likely, offset, flags string }

func (c *company) check(all ...want) {
	c.t.Helper()
	told := c.told()
	at := func(m events.Millis) string {
		if m == 0 {
			return ""
		}
		return m.Time().Format("2006-01-02T15:04:05Z")
	}
	for _, w := range all {
		s, ok := told[w.name]
		offset := ""
		if o := s.Offset; o != nil {
			offset = (time.Duration(o.Millis) * time.Millisecond).String()
			if o.After {
				offset += " later"
			}
		}
		got := want{w.name, at(s.NotBefore), at(s.NotAfter), at(s.Likely), offset, ""}
		if len(s.Flags) > 0 {
			got.flags = fmt.Sprint(s.Flags)
		}
		if !ok || got != w {
			c.t.Errorf("%s:\n got %q\nwant %q", w.name, got, w)
		}
	}
}

// The story of the design: a visit without signal on Monday, the first contact after it on Thursday. Monday's records are
// bounded by what the device had seen the week before, never by what it sees on Thursday; the seal that brings them in
// dates itself only.
func TestMonday(t *testing.T) {
	c := newCompany(t)
	c.note("tab-2", "another", "2026-03-05T08:00:00Z")
	c.push("tab-2", "2026-03-05T08:00:01Z")
	c.saw("tab-1", "seen last week", "2026-03-05T16:00:00Z", c.log.Newest().Checkpoint)
	c.note("tab-1", "last week", "2026-03-05T16:00:01Z")
	c.push("tab-1", "2026-03-05T16:00:02Z")
	c.note("tab-1", "monday 1", "2026-03-09T09:00:00Z")
	c.note("tab-1", "monday 2", "2026-03-09T10:00:00Z")
	c.note("tab-2", "more", "2026-03-11T08:00:00Z")
	c.push("tab-2", "2026-03-11T08:00:01Z")
	c.saw("tab-1", "seen on thursday", "2026-03-12T07:00:00Z", c.log.Newest().Checkpoint)
	c.push("tab-1", "2026-03-12T07:00:01Z")
	c.note("tab-1", "thursday", "2026-03-12T09:00:00Z")
	c.push("tab-1", "2026-03-12T17:00:00Z")
	c.check(
		want{name: "another", notAfter: "2026-03-05T08:00:01Z"}, // a device that never had contact before
		want{name: "seen last week", notAfter: "2026-03-05T16:00:02Z"},
		want{name: "last week", notBefore: "2026-03-05T08:00:01Z", notAfter: "2026-03-05T16:00:02Z"},
		want{name: "monday 1", notBefore: "2026-03-05T08:00:01Z", notAfter: "2026-03-12T07:00:01Z"},
		want{name: "monday 2", notBefore: "2026-03-05T08:00:01Z", notAfter: "2026-03-12T07:00:01Z"},
		want{name: "seen on thursday", notBefore: "2026-03-05T08:00:01Z", notAfter: "2026-03-12T07:00:01Z"},
		want{name: "thursday", notBefore: "2026-03-11T08:00:01Z", notAfter: "2026-03-12T17:00:00Z"},
	)
}

// A clock that is 40 days slow: nothing is refused, the time as stated stands, and beside it when it was in fact.
func TestFortyDaysSlow(t *testing.T) {
	const slow = 40 * 24 * time.Hour
	c := newCompany(t)
	c.note("tab-1", "first", "2026-01-19T08:00:00Z") // the 28th of February
	c.push("tab-1", "2026-02-28T08:00:01Z")
	c.saw("tab-1", "seen", "2026-01-20T08:00:00Z", c.log.Newest().Checkpoint) // the 1st of March
	c.measured("tab-1", "measured", "2026-01-20T08:00:00Z", slow)
	c.note("tab-1", "monday", "2026-01-28T09:00:00Z") // the 9th of March
	c.push("tab-1", "2026-03-12T07:00:01Z")
	c.check(
		want{name: "first", notAfter: "2026-02-28T08:00:01Z", likely: "2026-02-28T08:00:00Z", offset: "960h0m0s later"},
		want{"seen", "", "2026-03-12T07:00:01Z", "2026-03-01T08:00:00Z", "960h0m0s later", ""},
		want{"measured", "2026-02-28T08:00:01Z", "2026-03-12T07:00:01Z", "2026-03-01T08:00:00Z", "960h0m0s", "[clock-off]"},
		want{"monday", "2026-02-28T08:00:01Z", "2026-03-12T07:00:01Z", "2026-03-09T09:00:00Z", "960h0m0s", "[clock-off]"},
	)
	// It was set right on Friday: what was measured of it holds no more, and nothing is made of that.
	c.note("tab-1", "friday", "2026-03-13T09:00:00Z")
	c.push("tab-1", "2026-03-13T09:00:01Z")
	c.check(want{"friday", "2026-02-28T08:00:01Z", "2026-03-13T09:00:01Z", "", "960h0m0s", ""})
}

// A clock that somebody sets to 2035 and, days later, back: nothing is lost, each run of the clock stands for itself, and
// what claims to be of 2035 is flagged, and counts from its receipt.
func TestOf2035(t *testing.T) {
	c := newCompany(t)
	c.note("tab-2", "another", "2026-03-01T08:00:00Z")
	c.push("tab-2", "2026-03-01T08:00:01Z")
	c.saw("tab-1", "seen", "2026-03-02T08:00:00Z", c.log.Newest().Checkpoint)
	c.push("tab-1", "2026-03-02T08:00:01Z")
	c.note("tab-1", "right", "2026-03-03T09:00:00Z")
	c.note("tab-1", "2035", "2035-01-01T09:00:00Z")
	c.write("tab-1", "back", "2026-03-05T09:00:00Z", &events.ClockChecked{SteppedMs: story.P(int64(-278_553_600_000))})
	c.note("tab-1", "after", "2026-03-05T09:00:01Z")
	c.measured("tab-1", "measured", "2026-03-06T08:00:00Z", 5*time.Second)
	c.note("tab-1", "at last", "2026-03-06T08:00:01Z")
	c.push("tab-1", "2026-03-06T09:00:00Z")
	const seen, received = "2026-03-01T08:00:01Z", "2026-03-06T09:00:00Z"
	c.check(
		want{name: "right", notBefore: seen, notAfter: received},
		want{name: "2035", notBefore: seen, notAfter: received, flags: "[clock-off]"},
		want{"back", seen, received, "2026-03-05T09:00:05Z", "5s later", ""},
		want{"after", seen, received, "2026-03-05T09:00:06Z", "5s later", ""},
		want{"measured", seen, received, "2026-03-06T08:00:05Z", "5s", ""},
		want{"at last", seen, received, "2026-03-06T08:00:06Z", "5s", ""},
	)
	var order []string
	var all []projections.Arrival
	for _, a := range c.by {
		all = append(all, *a)
	}
	for _, f := range projections.Resolve(all, projections.Now).Facts {
		if f.Record.Device == "tab-1" {
			order = append(order, fmt.Sprint(f.Record.Seq, f.Flags))
		}
	}
	if got := fmt.Sprint(order); got != "[1 [] 2 [] 4 [] 5 [] 6 [] 7 [] 3 [in-future]]" {
		t.Errorf("folded as %s", got)
	}
}

// Measured while it stood at 2035, the offset is that run's.
func TestMeasuredIn2035(t *testing.T) {
	c := newCompany(t)
	years := story.At("2026-03-04T09:00:00Z").Sub(story.At("2035-01-01T09:00:00Z"))
	c.note("tab-1", "before", "2035-01-01T09:00:00Z")
	c.measured("tab-1", "measured", "2035-01-01T10:00:00Z", years)
	c.write("tab-1", "back", "2026-03-05T09:00:00Z", &events.ClockChecked{SteppedMs: story.P(int64(-1))})
	c.note("tab-1", "after", "2026-03-05T09:00:01Z")
	c.push("tab-1", "2026-03-06T09:00:00Z")
	const received = "2026-03-06T09:00:00Z"
	c.check(
		want{"before", "", received, "2026-03-04T09:00:00Z", years.String() + " later", "[clock-off]"},
		want{"measured", "", received, "2026-03-04T10:00:00Z", years.String(), "[clock-off]"},
		want{name: "back", notAfter: received},
		want{name: "after", notAfter: received},
	)
}

// Checkpoints that bound nothing: of another past, larger than the log, of nothing, written once more to have an earlier
// bound. What is no checkpoint of the log is flagged.
func TestWhatBoundsNothing(t *testing.T) {
	c := newCompany(t)
	for day := range 4 {
		c.note("tab-2", fmt.Sprint("day ", day+1), fmt.Sprintf("2026-03-0%dT08:00:00Z", day+1))
		c.push("tab-2", fmt.Sprintf("2026-03-0%dT08:00:00Z", day+1))
	}
	old, good := c.log.at(1), c.log.at(3)
	wrong, large, empty, renamed := c.log.at(4), c.log.at(4), checkpoint.Checkpoint{Origin: good.Origin, Root: checkpoint.Empty()}, c.log.at(4)
	wrong.Root[7] ^= 1
	large.Size = 1000
	renamed.Origin = "ullage.log/test/0" // an epoch before, of which this log has all
	c.saw("tab-1", "empty", "2026-03-05T08:00:00Z", empty)
	c.saw("tab-1", "wrong", "2026-03-05T08:00:01Z", wrong)
	c.saw("tab-1", "large", "2026-03-05T08:00:02Z", large)
	c.saw("tab-1", "good", "2026-03-05T08:00:03Z", good)
	c.saw("tab-1", "old", "2026-03-05T08:00:04Z", old)
	c.saw("tab-1", "wrong again", "2026-03-05T08:00:05Z", wrong)
	c.saw("tab-1", "renamed", "2026-03-05T08:00:06Z", renamed)
	c.note("tab-1", "last", "2026-03-05T08:00:07Z")
	c.push("tab-1", "2026-03-05T09:00:00Z")
	const received = "2026-03-05T09:00:00Z"
	c.check(
		want{name: "empty", notAfter: received},
		want{name: "wrong", notAfter: received, flags: "[not-of-log]"},
		want{name: "large", notAfter: received, flags: "[not-of-log]"},
		want{name: "good", notAfter: received},
		want{name: "old", notBefore: "2026-03-03T08:00:00Z", notAfter: received},
		want{name: "wrong again", notBefore: "2026-03-03T08:00:00Z", notAfter: received, flags: "[not-of-log]"},
		want{name: "renamed", notBefore: "2026-03-03T08:00:00Z", notAfter: received},
		want{name: "last", notBefore: "2026-03-04T08:00:00Z", notAfter: received},
	)
}

// Two seconds are no lie; and what nobody can have measured moves nothing.
func TestSlack(t *testing.T) {
	c := newCompany(t)
	c.note("tab-1", "fast", "2026-03-05T08:00:02Z")
	c.note("tab-1", "faster", "2026-03-05T08:00:03Z")
	c.push("tab-1", "2026-03-05T08:00:00Z")
	c.saw("tab-1", "seen", "2026-03-05T08:00:04Z", c.log.Newest().Checkpoint)
	c.push("tab-1", "2026-03-05T08:00:04Z")
	c.measured("tab-2", "a", "2026-03-05T08:00:00Z", 3*time.Second) // of which one and a half were on the way
	c.push("tab-2", "2026-03-05T08:00:01Z")
	c.write("tab-3", "b", "2026-03-05T08:00:00Z", &events.ClockChecked{OffsetMs: story.P(int64(1<<63 - 1))})
	c.write("tab-4", "c", "2026-03-05T08:00:00Z", &events.ClockChecked{OffsetMs: story.P(int64(-1 << 63))})
	c.write("tab-5", "d", "2026-03-05T08:00:00Z", &events.ClockChecked{OffsetMs: story.P(int64(1000))})
	far := events.MaxMillis
	c.write("tab-6", "e", "2026-03-05T08:00:00Z", &events.ClockChecked{OffsetMs: story.P(int64(far))})
	c.saw("tab-7", "its", "2026-03-05T07:59:56Z", c.log.at(2))
	c.note("tab-7", "slower", "2026-03-05T07:59:57Z")
	c.note("tab-7", "slow", "2026-03-05T07:59:58Z")
	c.check(
		want{name: "fast", notAfter: "2026-03-05T08:00:00Z"},
		want{name: "faster", notAfter: "2026-03-05T08:00:00Z", flags: "[clock-off]"},
		want{"a", "", "2026-03-05T08:00:01Z", "2026-03-05T08:00:01Z", "3s", ""},
		want{name: "b", offset: "-1ms"}, // as a time.Duration has it
		want{name: "c", offset: "0s"},
		want{name: "d", offset: "1s", likely: "2026-03-05T08:00:01Z"}, // still on its device: nothing bounds it
		want{name: "e", offset: (time.Duration(far) * time.Millisecond).String()},
		want{name: "slow", notBefore: "2026-03-05T08:00:00Z"},
		want{name: "slower", notBefore: "2026-03-05T08:00:00Z", flags: "[clock-off]"},
	)
}

// The stages, each including those before it.
func TestStages(t *testing.T) {
	c := newCompany(t)
	stages := func(want string) {
		t.Helper()
		told, got := c.told(), ""
		for _, name := range c.names {
			got += fmt.Sprintf("%s:%s ", name, told[name].Stage)
		}
		if got != want {
			t.Errorf("\n got %s\nwant %s", got, want)
		}
	}
	c.note("tab-1", "a", "2026-03-05T08:00:00Z")
	stages("a:kept ")
	c.push("tab-1", "2026-03-05T08:00:01Z")
	c.log.signed = 0
	stages("a:received ")
	c.log.signed = 1
	stages("a:logged ")
	c.saw("tab-1", "own", "2026-03-05T08:00:02Z", c.log.Newest().Checkpoint) // the writer's own word does not count
	c.push("tab-1", "2026-03-05T08:00:03Z")
	stages("a:logged own:logged ")
	c.saw("tab-2", "seen", "2026-03-05T08:00:04Z", c.log.at(1)) // not before it has come
	stages("a:logged own:logged seen:kept ")
	c.push("tab-2", "2026-03-05T08:00:05Z")
	stages("a:cross-checked own:logged seen:logged ") // it covers the first leaf only
	c.saw("tab-3", "third", "2026-03-05T08:00:06Z", c.log.at(3))
	c.push("tab-3", "2026-03-05T08:00:07Z")
	stages("a:cross-checked own:cross-checked seen:cross-checked third:logged ")
	forged := c.log.at(4)
	forged.Root[0] ^= 1
	c.saw("tab-2", "forged", "2026-03-05T08:00:08Z", forged)
	c.push("tab-2", "2026-03-05T08:00:09Z")
	stages("a:cross-checked own:cross-checked seen:cross-checked third:logged forged:logged ")
}

// Of two records under one number, as a fork leaves them, each answers for what it says itself.
func TestTwoOfOneNumber(t *testing.T) {
	c := newCompany(t)
	c.note("tab-2", "a", "2026-03-05T08:00:00Z")
	c.push("tab-2", "2026-03-05T08:00:01Z")
	wrong := c.log.Newest().Checkpoint
	wrong.Root[0] ^= 1
	c.saw("tab-1", "right", "2026-03-05T08:00:02Z", c.log.Newest().Checkpoint)
	c.tellers["tab-1"] = &story.Teller{Device: "tab-1"}
	c.saw("tab-1", "wrong", "2026-03-05T08:00:03Z", wrong)
	c.push("tab-1", "2026-03-05T08:00:04Z")
	c.check(want{name: "right", notAfter: "2026-03-05T08:00:04Z"}, want{name: "wrong", notAfter: "2026-03-05T08:00:04Z", flags: "[not-of-log]"})
}

// What the log cannot answer is an error, and no answer.
func TestBrokenLog(t *testing.T) {
	c := newCompany(t)
	c.note("tab-1", "a", "2026-03-05T08:00:00Z")
	c.push("tab-1", "2026-03-05T08:00:01Z")
	c.saw("tab-1", "seen", "2026-03-05T08:00:02Z", c.log.Newest().Checkpoint)
	c.push("tab-1", "2026-03-05T08:00:03Z")
	words := c.words()
	c.log.broken = errors.New("the disk is gone")
	h := projections.Resolve([]projections.Arrival{*c.by["seen"]}, projections.Now)
	if said, err := NewJudge(c.log).Tell(h.All, words); !errors.Is(err, c.log.broken) || said != nil {
		t.Errorf("%v, %v", said, err)
	}
}
