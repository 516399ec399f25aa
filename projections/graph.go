package projections

import (
	"slices"

	"ullage/events"
)

// graph is the corrections of one record, by their places in the order in which they were written.
type graph struct {
	r       *resolver
	target  *Fact
	written view
	at      []int // places in resolver.corrections
	place   map[events.Hash]int
	all     set
	stands  set    // those that count: neither held nor withdrawn
	below   []set  // what each is over, however far down
	covers  []set  // what each supersedes; nil until asked
	views   []view // what each makes of the record, as far as viewed
	viewed  set
}

func (r *resolver) newGraph(i int) *graph {
	at := r.of[i]
	n := len(at)
	g := &graph{
		r: r, target: &r.facts[i], written: asWritten(&r.facts[i]), at: at, place: make(map[events.Hash]int, n), all: newSet(n), stands: newSet(n),
		below: make([]set, n), covers: make([]set, n), views: make([]view, n), viewed: newSet(n),
	}
	for c := range at {
		fact := g.correction(c).fact
		g.place[r.facts[fact].Hash] = c
		g.all.add(c)
		if !r.isHeld(fact) && !r.isGone(fact) {
			g.stands.add(c)
		}
	}
	for c := range at {
		g.descend(c)
		g.below[c].drop(c) // claimed by a circle only
	}
	return g
}

func (g *graph) correction(c int) *correction { return &g.r.corrections[g.at[c]] }

// descend finds what c is over.
func (g *graph) descend(c int) set {
	if g.below[c] == nil {
		g.below[c] = newSet(len(g.at))
		for _, hash := range g.correction(c).over {
			if next, here := g.place[hash]; here {
				g.below[c].add(next)
				g.below[c].join(g.descend(next))
			}
		}
	}
	return g.below[c]
}

// heads are those of some corrections that count and that none of the others supersedes.
func (g *graph) heads(of set) []int {
	standing := of.meet(g.stands)
	super := newSet(len(g.at))
	for _, c := range standing.list() {
		super.join(g.supersedes(c))
	}
	return standing.without(super).list()
}

// supersedes is what c supersedes: all that it is over, unless that is in conflict and c is not the office's.
func (g *graph) supersedes(c int) set {
	if g.covers[c] == nil {
		g.covers[c] = g.below[c] // stands while a circle is cut
		if !g.correction(c).office && len(g.heads(g.below[c])) > 1 {
			g.covers[c] = newSet(len(g.at))
		}
	}
	return g.covers[c]
}

// above are the nearest of the corrections that count and supersede c.
func (g *graph) above(c int) []int {
	over := newSet(len(g.at))
	for _, d := range g.stands.list() {
		if g.supersedes(d).has(c) {
			over.add(d)
		}
	}
	return slices.DeleteFunc(over.list(), func(d int) bool { return !g.below[d].meet(over).empty() })
}

// outcome is what some corrections together make of the record. In a conflict that is what stands below all heads.
func (g *graph) outcome(of set) view {
	heads := g.heads(of)
	if len(heads) == 0 {
		return g.written
	}
	first, common, agree := g.view(heads[0]), g.below[heads[0]], true
	for _, c := range heads[1:] {
		agree = agree && first.same(g.view(c))
		common = common.meet(g.below[c])
	}
	if agree {
		return first
	}
	return g.outcome(common)
}

// view is what c makes of the record, applied to what it is over.
func (g *graph) view(c int) view {
	if g.viewed.has(c) {
		return g.views[c]
	}
	g.viewed.add(c)
	g.views[c] = g.written // stands while a circle is cut
	v := g.outcome(g.below[c])
	switch b := g.r.facts[g.correction(c).fact].Body.(type) {
	case *events.RecordAmended:
		v = v.amend(b, g.target.Record.Kind, g.target.Record.V)
	case *events.RecordWithdrawn:
		v.withdrawn = true
	}
	g.views[c] = v
	return v
}

// verdict is what becomes of what some corrections are over: withdrawn where all of them withdraw.
func (g *graph) verdict(by []int) State {
	for _, c := range by {
		if g.r.facts[g.correction(c).fact].Record.Kind != events.KindWithdrawn {
			return Amended
		}
	}
	return Withdrawn
}
