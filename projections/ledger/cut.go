package ledger

import (
	"cmp"
	"slices"

	"ullage/events"
	"ullage/projections"
)

// books are the books of one machine, a book for each tank.
type books struct {
	register *projections.Register
	places   places
	byTank   map[string]*book
}

// book is the line of one tank's known volumes, and what lies between them.
//
// Span k runs from ends[k] to ends[k+1]; the last one is open, and has no end. There are as many spans as ends.
type book struct {
	tank     string
	ends     []end
	spans    []cut
	before   []entry // what belongs before the first known volume
	entries  []entry // all, in the order of the fold
	renewals []renewal
	late     map[int][]entry     // by span: its flows that were done after its end
	torn     [][]events.RecordID // by span: the late flows that leave its grade open
	sums     [2][]account        // by told or not, and span: what flowed
	own      [2][]finding        // by told or not, and span: what it leaves unexplained by itself
}

// cut is a span as the line was cut.
type cut struct {
	kind    Kind
	entries []entry
}

// renewal is where a bath begins anew: a place in the order of the fold, and the visit that did it.
type renewal struct {
	n    int
	fact *projections.Fact
}

// keep opens the books of a machine from its facts, which are in the order of the fold.
func keep(machine events.MachineID, facts []projections.Fact, register *projections.Register) *books {
	b := &books{register: register, places: places{register}, byTank: map[string]*book{}}
	last := map[reading]end{}
	warm := map[reading]*warmth{}
	for n := range facts {
		f := &facts[n]
		if f.Machine != machine {
			continue
		}
		if e, key, ok := b.endOf(n, f); ok {
			if f.Visit.IsZero() { // nothing says that two such readings are of one visit
				b.book(key.tank).ends = append(b.book(key.tank).ends, e)
			} else {
				last[key] = e
			}
		}
		if w, key, ok := b.warmthOf(f); ok && !f.Visit.IsZero() {
			warm[key] = w
		}
		if r, ok := f.Body.(*events.BathRenewed); ok {
			if tank, ok := b.places.tankOf(f, string(r.Tank)); ok {
				b.book(tank).renewals = append(b.book(tank).renewals, renewal{n, f})
			}
		}
		b.entriesOf(n, f, func(tank string, e entry) { b.book(tank).entries = append(b.book(tank).entries, e) })
	}
	for key, e := range last {
		e.warm = warm[key]
		b.book(key.tank).ends = append(b.book(key.tank).ends, e)
	}
	for _, k := range b.byTank {
		slices.SortFunc(k.ends, func(a, b end) int { return cmp.Compare(a.n, b.n) })
		k.cut()
		k.assign()
	}
	return b
}

func (b *books) book(tank string) *book {
	k := b.byTank[tank]
	if k == nil {
		k = &book{tank: tank, late: map[int][]entry{}}
		b.byTank[tank] = k
	}
	return k
}

// tanks are the tanks that have a book, the machine's first one before the others, which ascend by name.
func (b *books) tanks(machine events.MachineID) []string {
	first := b.places.called(machine, projections.Bath)
	var all []string
	for tank := range b.byTank {
		all = append(all, tank)
	}
	slices.SortFunc(all, func(x, y string) int {
		switch {
		case x == y:
			return 0
		case x == first:
			return -1
		case y == first:
			return 1
		}
		return cmp.Compare(x, y)
	})
	return all
}

// cut makes the spans: arrival to departure of one visit is a visit's; a departure and the next arrival, of another
// visit, is between; any other pair of neighbours, and the open tail, is mixed.
func (k *book) cut() {
	k.spans = make([]cut, len(k.ends))
	for i := range k.spans {
		k.ends[i].weigh()
	}
	for i := range k.spans {
		k.spans[i].kind = Mixed
		if i+1 == len(k.ends) {
			break
		}
		a, b := &k.ends[i], &k.ends[i+1]
		switch {
		case a.visit.IsZero() || b.visit.IsZero():
		case a.moment == arrival && b.moment == departure && a.visit == b.visit:
			k.spans[i].kind = OfVisit
		case a.moment == departure && b.moment == arrival && a.visit != b.visit:
			k.spans[i].kind = Between
		}
	}
	k.torn = make([][]events.RecordID, len(k.spans))
}

// known are the places in the line of a visit's known volumes, -1 where there is none.
type known struct{ arrival, departure int }

// assign puts every entry into its span.
//
// A flow that names a visit belongs to that visit's span, whatever its time. Where the visit has only one known volume,
// that is the mixed span on the side of the missing one: after a lone arrival, before a lone departure. Where it has
// none, or its two are no neighbours, and where a flow names no visit, its time decides; and a span between two visits
// that holds the flows of a third, which measured nothing, is mixed.
//
// What was told belongs to the span that ends at the arrival of its visit; where the visit has no known arrival, to the
// one that ends at its departure; where it has neither or is not named, to the one of its time.
func (k *book) assign() {
	of := map[events.RecordID]known{}
	for i, e := range k.ends {
		if e.visit.IsZero() {
			continue
		}
		at, ok := of[e.visit]
		if !ok {
			at = known{-1, -1}
		}
		if e.moment == arrival {
			at.arrival = i
		} else {
			at.departure = i
		}
		of[e.visit] = at
	}
	for _, e := range k.entries {
		at, measured := of[e.fact.Visit]
		span := k.timed(e.n)
		switch {
		case !measured:
			if e.column != told && !e.fact.Visit.IsZero() && span >= 0 && k.spans[span].kind == Between {
				k.spans[span].kind = Mixed
			}
		case e.column == told && at.arrival >= 0:
			span = at.arrival - 1
		case at.arrival >= 0 && at.departure < 0:
			span = at.arrival
		case at.arrival < 0:
			span = at.departure - 1
		case k.spans[at.arrival].kind == OfVisit:
			span = at.arrival
		}
		if e.column != told && !e.fact.Visit.IsZero() && measured && span+1 < len(k.ends) && e.fact.At > k.ends[span+1].fact.At {
			k.late[span] = append(k.late[span], e)
		}
		if span < 0 {
			k.before = append(k.before, e)
		} else {
			k.spans[span].entries = append(k.spans[span].entries, e)
		}
	}
}

// timed is the span in whose time a place in the order of the fold lies, -1 before the first known volume.
func (k *book) timed(n int) int {
	after, _ := slices.BinarySearchFunc(k.ends, n, func(e end, n int) int { return cmp.Compare(e.n, n) })
	return after - 1
}
