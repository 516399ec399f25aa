package projections

import (
	"slices"

	"ullage/events"
)

// Growing is the History, without bounds, of records that come in one after the other: after each Add it is what
// Resolve makes of all of them. A record that neither corrects another nor is corrected only takes its place in the
// order; any other, and every one of a device's that has forked, makes it resolve all again. The zero Growing is empty.
type Growing struct {
	History History // until the next Add, which changes it in its place

	arrivals []*Arrival
	parted   bool // there are branches
	seen     map[events.Hash]bool
	targets  map[events.Hash]bool // of corrections and admissions, whether they are here or not
}

// Add takes in records and returns the place in History.Facts up to which nothing has changed. The records stay the
// caller's, who does not change them any more.
func (g *Growing) Add(more ...*Arrival) (from int) {
	if g.seen == nil {
		g.seen, g.targets = map[events.Hash]bool{}, map[events.Hash]bool{}
	}
	plain := true
	for _, a := range more {
		target, corrects := TargetOf(a.content().Body)
		if corrects {
			g.targets[target.Hash] = true
		}
		_, settles := a.content().Body.(*events.BranchSettled)
		g.parted = g.parted || len(a.Parted) > 0
		plain = plain && !corrects && !settles && !g.seen[a.Hash] && a.Held == "" && a.Received != 0
		g.seen[a.Hash] = true
	}
	g.arrivals = append(g.arrivals, more...)
	plain = plain && !g.parted
	for _, a := range more {
		plain = plain && !g.targets[a.Hash]
	}
	if !plain {
		g.History = resolve(g.arrivals, Now)
		return 0
	}
	from = len(g.History.Facts)
	shared := from == len(g.History.All) // then they are one list
	g.History.Facts = reserve(g.History.Facts, len(more))
	if !shared {
		g.History.All = reserve(g.History.All, len(more))
	}
	for _, a := range more {
		f := Fact{Arrival: a, State: Stands}
		asWritten(&f).put(&f)
		var at int
		if g.History.Facts, at = insert(g.History.Facts, f); at < from {
			from = at
		}
		if shared {
			g.History.All = g.History.Facts
		} else {
			g.History.All, _ = insert(g.History.All, f)
		}
	}
	return from
}

// Len is the number of records taken in.
func (g *Growing) Len() int { return len(g.arrivals) }

// reserve makes room for n more. Facts are large, so a list that grows at all doubles.
func reserve(list []Fact, n int) []Fact {
	if cap(list)-len(list) < n {
		return slices.Grow(list, max(n, len(list)))
	}
	return list
}

// insert puts a fact into a list in the order of the fold, and tells where.
func insert(list []Fact, f Fact) ([]Fact, int) {
	at := len(list)
	if at > 0 && compareFacts(&f, &list[at-1]) < 0 {
		at, _ = slices.BinarySearchFunc(list, &f, func(a Fact, b *Fact) int { return compareFacts(&a, b) })
	}
	if at == len(list) {
		return append(list, f), at
	}
	return slices.Insert(list, at, f), at
}
