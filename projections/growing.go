package projections

import (
	"slices"

	"ullage/events"
)

// Growing is the History, without bounds, of records that come in one after the other: after each Add it is what
// Resolve makes of all of them. A record that neither corrects another nor is corrected only takes its place in the
// order; any other makes it resolve all again. The zero Growing is empty.
type Growing struct {
	History History // until the next Add, which changes it in its place

	arrivals []*Arrival
	seen     map[events.Hash]bool
	targets  map[events.Hash]bool // of corrections and admissions, whether they are here or not
}

// Add takes in records and returns the facts that are new, or all of them where others may have changed. The records
// stay the caller's, who does not change them any more.
func (g *Growing) Add(more ...*Arrival) (changed []Fact) {
	if g.seen == nil {
		g.seen, g.targets = map[events.Hash]bool{}, map[events.Hash]bool{}
	}
	plain := true
	for _, a := range more {
		// Admissions are no corrections of what they admit, but may change whether it counts.
		target, corrects := TargetOf(a.content().Body)
		if corrects {
			g.targets[target.Hash] = true
		}
		plain = plain && !corrects && !g.seen[a.Hash] && a.Held == "" && a.Received != 0
		g.seen[a.Hash] = true
	}
	g.arrivals = append(g.arrivals, more...)
	for _, a := range more {
		plain = plain && !g.targets[a.Hash]
	}
	if !plain || len(g.History.All) == 0 {
		g.History = resolve(g.arrivals, Now)
		return g.History.All
	}
	for _, a := range more {
		f := Fact{Arrival: a, State: Stands}
		asWritten(&f).put(&f)
		changed = append(changed, f)
	}
	shared := len(g.History.Facts) == len(g.History.All) // then they are one list
	g.History.All = insert(g.History.All, changed)
	if shared {
		g.History.Facts = g.History.All
	} else {
		g.History.Facts = insert(g.History.Facts, changed)
	}
	return changed
}

// Len is the number of records taken in.
func (g *Growing) Len() int { return len(g.arrivals) }

// insert puts facts into a list in the order of the fold.
func insert(list, more []Fact) []Fact {
	for i := range more {
		at := len(list)
		if at > 0 && compareFacts(&more[i], &list[at-1]) < 0 {
			at, _ = slices.BinarySearchFunc(list, &more[i], func(f Fact, g *Fact) int { return compareFacts(&f, g) })
		}
		list = slices.Insert(list, at, more[i])
	}
	return list
}
