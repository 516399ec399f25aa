package projections

import (
	"cmp"
	"slices"
	"strings"

	"ullage/events"
)

// Resolve makes Facts of what arrived: each record once, as its corrections leave it, within the two bounds, in the
// order of the fold. It is total, and its answer does not depend on the order of the slice, nor on how often a record
// stands in it. The Facts point into the slice, which is left as it is.
//
// What is known is what was received by b.KnownAt; a record that is only kept on the device is known. Corrections and
// admissions count by that alone. What had happened is what the fold puts not after b.AsOf: a record's time as
// corrected, or that of its receipt, where it claims to have been done later than that.
//
// How corrections are resolved stands at the type correction, who is held at the method hold, what becomes of the branches
// of a device that has forked at the type Branch.
func Resolve(arrivals []Arrival, b Bounds) History {
	all := make([]*Arrival, len(arrivals))
	for i := range arrivals {
		all[i] = &arrivals[i]
	}
	return resolve(all, b)
}

func resolve(arrivals []*Arrival, b Bounds) History {
	r := gather(arrivals, b.KnownAt)
	r.hold()
	r.correct()
	return r.history(b.AsOf)
}

// resolver is the work on one answer. Records are known by their place in facts.
type resolver struct {
	facts       []Fact
	index       map[events.Target]int // the hash of what is no record covers neither device nor number
	corrections []correction          // of all targets, in the order of the fold as they were written
	of          map[int][]int         // the corrections of a record, as places in corrections
	admissions  []correction          // records that admit
	settlings   []settling            // records that settle which branch stands
	partings    map[parted]*parting   // of all devices
	held        []bool                // of facts; nil where none is
	gone        []bool                // of facts: withdrawn, as far as the folds are concerned; nil where there is no correction
}

// gather takes each record once, as it was written.
func gather(arrivals []*Arrival, known events.Millis) *resolver {
	r := &resolver{index: make(map[events.Target]int, len(arrivals)), facts: make([]Fact, 0, len(arrivals))}
	for _, a := range arrivals {
		if len(a.Parted) > 0 && (a.Received == 0 || a.Received <= known) {
			r.part(a.Record.Device, a.Parted)
		}
		if a.Hash.IsZero() {
			continue
		}
		if at, again := r.index[a.Target()]; !again {
			r.index[a.Target()] = len(r.facts)
			r.facts = append(r.facts, Fact{Arrival: a})
		} else if compareArrival(a, r.facts[at].Arrival) < 0 {
			r.facts[at].Arrival = a
		}
	}
	n := len(r.facts)
	r.facts = slices.DeleteFunc(r.facts, func(f Fact) bool { return f.Received != 0 && f.Received > known })
	if len(r.facts) < n { // places have moved
		clear(r.index)
		for i := range r.facts {
			r.index[r.facts[i].Target()] = i
		}
	}
	for i := range r.facts {
		f := &r.facts[i]
		f.State = Stands
		asWritten(f).put(f)
		r.classify(i)
	}
	return r
}

// compareArrival puts first which of two arrivals of one record counts: the first receipt, and any before none. The
// rest only makes the choice the same in every order.
func compareArrival(a, b *Arrival) int {
	received := func(x *Arrival) uint64 { return uint64(x.Received) - 1 } // 0, only kept, comes last
	if c := cmp.Compare(received(a), received(b)); c != 0 {
		return c
	}
	office := func(x *Arrival) int {
		if x.Office {
			return 0
		}
		return 1
	}
	return cmp.Or(slices.Compare(a.Commit[:], b.Commit[:]), strings.Compare(a.Held, b.Held), office(a)-office(b), strings.Compare(string(a.Stage), string(b.Stage)))
}

// find is the place of the record that a target names.
func (r *resolver) find(t events.Target) (at int, here bool) {
	at, here = r.index[t]
	return at, here
}

// Target names the record, as corrections of it do.
func (a *Arrival) Target() events.Target {
	return events.Target{Device: a.Record.Device, Seq: a.Record.Seq, Hash: a.Hash}
}

// history sorts what was found and applies the bound on what had happened.
func (r *resolver) history(asOf events.Millis) History {
	order := make([]int, 0, len(r.facts))
	for i := range r.facts {
		// A correction counts by known-at alone: it is shown with what it corrects, whenever it was made.
		if r.facts[i].Done <= asOf || r.facts[r.root(i)].Done <= asOf {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(i, j int) int { return compareFacts(&r.facts[i], &r.facts[j]) })
	var h History
	if len(order) == len(r.facts) && slices.IsSorted(order) {
		h.All = r.facts
	} else {
		h.All = make([]Fact, len(order))
		for n, i := range order {
			h.All[n] = r.facts[i]
		}
	}
	order = slices.DeleteFunc(order, func(i int) bool { return !r.counts(i, asOf) })
	if len(order) == len(h.All) {
		h.Facts = h.All
		return h
	}
	h.Facts = make([]Fact, len(order))
	for n, i := range order {
		h.Facts[n] = r.facts[i]
	}
	return h
}

// counts tells whether the folds see a record.
func (r *resolver) counts(i int, asOf events.Millis) bool {
	f := &r.facts[i]
	return f.Done <= asOf && !r.isHeld(i) && !r.isGone(i) && f.Record.Kind != events.KindAmended && f.Record.Kind != events.KindWithdrawn
}

// compareFacts is the order of the fold: when it happened, when it was written, device and number. The hash tells apart
// two records of one number, which a fork leaves behind.
func compareFacts(a, b *Fact) int {
	if c := cmp.Compare(a.At, b.At); c != 0 {
		return c
	}
	return compareWritten(a, b)
}

func compareWritten(a, b *Fact) int {
	if c := cmp.Compare(a.Record.Clock, b.Record.Clock); c != 0 {
		return c
	}
	return cmp.Or(strings.Compare(string(a.Record.Device), string(b.Record.Device)), cmp.Compare(a.Record.Seq, b.Record.Seq),
		slices.Compare(a.Hash[:], b.Hash[:]))
}
