package witness

import (
	"cmp"
	"maps"
	"slices"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/projections"
)

// Slack is by how much a clock may be off before it is said to be, in milliseconds: a device writes no offset down that
// has moved by less than a second, and over a slow line it cannot measure it better than that.
const Slack = events.Millis(2000)

// Words are what devices say of the log and of their clocks, as far as some records need it.
type Words struct {
	Chains map[events.DeviceID]Chain
	Guards []Guard
}

// Chain is what one device says. Both lists ascend by Seq.
type Chain struct {
	Seen   []Seen
	Clocks []Clock
}

// Seen is a checkpoint that a device says it has checked, and the record in which it does.
type Seen struct {
	Seq  events.Seq
	Hash events.Hash // of the record
	checkpoint.Checkpoint
}

// Clock is what a device has written down of its clock: how it stood, or that it was put back.
type Clock struct {
	Seq    events.Seq
	Offset *events.Millis // the centre's clock less the device's; nil only with NewRun
	NewRun bool           // it was put back: a new run of it begins with this record
}

// Guard is a device that has checked the log: the largest checkpoint of the log's present name that holds. Those two of
// different devices that are largest are enough for all records, for one of them is not the writer's.
type Guard struct {
	Device events.DeviceID
	Size   uint64
}

// Said is what stands about a record beside its writer's own word.
type Said struct {
	NotBefore events.Millis // it was written not before; 0 where nothing bounds it
	NotAfter  events.Millis // it was written not after; 0 while it is only kept
	Offset    *Offset       // of the clock that it was written by; nil where it was not measured in that run of the clock
	Likely    events.Millis // when it was written, by the clock with its offset; 0 where that is not known, or cannot be
	Stage     projections.Stage
	Flags     []projections.Flag
}

// Offset is how a clock stood.
type Offset struct {
	Millis events.Millis // the centre's clock less the device's
	After  bool          // measured after the record, because it was not before in that run; else at it or before it
}

// Tell tells of each record what stands about it, in their order. words must have, of each device that wrote one of them,
// every checkpoint that it says it has seen from its first record of them up to its last, and before the first the largest
// that holds; likewise its clock, and at either end the nearest beyond; of a branch the first is the one at its first parting.
// Where the device has forked, words are those of the chain that came first. all is left as it is.
func (j *Judge) Tell(all []projections.Fact, words Words) ([]Said, error) {
	said := make([]Said, len(all))
	chains := map[chainOf][]int{} // places in all
	for i := range all {
		f := &all[i]
		said[i] = Said{NotAfter: f.Received, Stage: j.stage(f, words.Guards)}
		of := chainOf{device: f.Record.Device}
		if len(f.Parted) > 0 {
			of.parted = f.Parted[0].Seq
		}
		chains[of] = append(chains[of], i)
	}
	for _, of := range slices.SortedFunc(maps.Keys(chains), chainOf.compare) { // so that of several errors it is always the same
		places := chains[of]
		slices.SortStableFunc(places, func(a, b int) int { return cmp.Compare(all[a].Record.Seq, all[b].Record.Seq) })
		if err := j.chain(all, places, of.shares(words.Chains[of.device]), said); err != nil {
			return nil, err
		}
	}
	return said, nil
}

// chainOf names the chain of a device that came first, or its branches that leave that at a record.
type chainOf struct {
	device events.DeviceID
	parted events.Seq // 0 for the one that came first
}

func (o chainOf) compare(p chainOf) int {
	return cmp.Or(cmp.Compare(o.device, p.device), cmp.Compare(o.parted, p.parted))
}

// shares is what of a device's chain that came first is true of this one too: what was seen before they part. Its clock is
// another copy's, on who knows which machine.
func (o chainOf) shares(c Chain) Chain {
	if o.parted == 0 {
		return c
	}
	n, _ := slices.BinarySearchFunc(c.Seen, o.parted, func(s Seen, at events.Seq) int { return cmp.Compare(s.Seq, at) })
	return Chain{Seen: c.Seen[:n]}
}

// stage is how safe a record is.
func (j *Judge) stage(f *projections.Fact, guards []Guard) projections.Stage {
	if f.Received == 0 {
		return projections.Kept
	}
	index, ok := j.log.Leaf(f.Record.Device, f.Record.Seq, f.Hash)
	if !ok || index >= j.now.Size {
		return projections.Received
	}
	for _, g := range guards {
		if g.Device != f.Record.Device && g.Size > index {
			return projections.CrossChecked
		}
	}
	return projections.Logged
}

// chain fills in what the device's chain tells of its records, which are at places of all, ascending by number.
func (j *Judge) chain(all []projections.Fact, places []int, c Chain, said []Said) error {
	var notBefore events.Millis
	seen := c.Seen
	for _, at := range places {
		f, s := &all[at], &said[at]
		n := 0
		for n < len(seen) && seen[n].Seq < f.Record.Seq {
			n++
		}
		bound, err := j.latest(seen[:n])
		if err != nil {
			return err
		}
		seen, notBefore = seen[n:], max(notBefore, bound)
		s.NotBefore = notBefore
		s.clock(f.Record.Clock.At(), c.offset(f.Record.Seq))
		for n := 0; n < len(seen) && seen[n].Seq == f.Record.Seq; n++ {
			if seen[n].Hash != f.Hash {
				continue
			}
			if ok, err := j.Holds(seen[n].Checkpoint); err != nil {
				return err
			} else if !ok {
				s.Flags = append(s.Flags, projections.NotOfLog)
			}
		}
	}
	return nil
}

// latest is the time of the largest of some checkpoints that holds, 0 where none does. It takes the largest and not the
// last: who writes an old checkpoint once more takes nothing back.
func (j *Judge) latest(seen []Seen) (events.Millis, error) {
	seen = slices.SortedFunc(slices.Values(seen), func(a, b Seen) int { return cmp.Compare(b.Size, a.Size) })
	for _, s := range seen {
		ok, err := j.Holds(s.Checkpoint)
		if err != nil {
			return 0, err
		}
		if !ok || s.Size == 0 { // the root of an empty log was known at all times
			continue
		}
		if at, known := j.log.Received(s.Size); known {
			return at, nil
		}
	}
	return 0, nil
}

// offset is how the clock stood by which record n was written: as it was measured last in that run of the clock, and
// where it was not before in it, as it was measured next.
func (c Chain) offset(n events.Seq) *Offset {
	next, _ := slices.BinarySearchFunc(c.Clocks, n+1, func(x Clock, n events.Seq) int { return cmp.Compare(x.Seq, n) })
	if next > 0 && c.Clocks[next-1].Offset != nil {
		return &Offset{Millis: *c.Clocks[next-1].Offset}
	}
	if next < len(c.Clocks) && !c.Clocks[next].NewRun {
		return &Offset{*c.Clocks[next].Offset, true}
	}
	return nil
}

// clock fills in what follows from the clock's word for when the record was written.
func (s *Said) clock(stated events.Millis, offset *Offset) {
	if !s.can(stated) {
		s.Flags = append(s.Flags, projections.ClockOff)
	}
	if s.Offset = offset; offset == nil || !s.can(stated+offset.Millis) {
		return
	}
	s.Likely = max(stated+offset.Millis, s.NotBefore)
	if s.NotAfter != 0 {
		s.Likely = min(s.Likely, s.NotAfter)
	}
}

// can tells whether the record can have been written at a time.
func (s *Said) can(at events.Millis) bool {
	return at >= s.NotBefore-Slack && (s.NotAfter == 0 || at <= s.NotAfter+Slack) && at <= events.MaxMillis
}
