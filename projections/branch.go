package projections

import (
	"cmp"
	"slices"
	"strings"

	"ullage/events"
)

// A device of which two copies wrote has more than one history. They part at a record behind which each goes on with one
// of its own. That one of them came first says nothing: from the moment that a parting is known, no record behind it
// counts, of any branch, until the office has settled which branch stands. Then those records count whose branch is the
// one that stands, at each parting on the way to them. The newest word of the office decides that stands itself and is
// known; where the last one is withdrawn, none of them counts again.
//
// A word of the office that stands behind a parting itself decides nothing: its own branch may be the wrong one. And what
// is held for another reason stays held.

// Branch says how a record stands among the branches of its device.
type Branch string

// The words for it.
const (
	Undivided Branch = ""             // no parting is known before it
	Settled   Branch = "settled"      // its branch is the one that stands
	Unsettled Branch = "unsettled"    // nobody has settled yet whether it is
	Overruled Branch = "other-stands" // another one stands
)

// parting is a record behind which a device's chain goes on in more than one way.
type parting struct {
	device   events.DeviceID
	seq      events.Seq           // of the first records that differ
	first    events.Hash          // the link there of the branch that came first
	way      []events.Parting     // the partings before it at which the branch that it is on leaves others
	branches map[events.Hash]bool // by their links there, the first one's too
	stands   events.Hash          // the branch that the office has settled; zero where it has not
}

// settling is a word of the office.
type settling struct {
	fact   int
	device events.DeviceID
	stands events.Branch
}

// leaves are the partings of a way at which it leaves others; at the rest it is the first that goes on.
func leaves(way []events.Parting) []events.Parting {
	if i := slices.IndexFunc(way, func(p events.Parting) bool { return p.Link == p.Other }); i < 0 {
		return way
	}
	return slices.DeleteFunc(slices.Clone(way), func(p events.Parting) bool { return p.Link == p.Other })
}

// part takes in the partings on the way to a record.
func (r *resolver) part(device events.DeviceID, way []events.Parting) {
	way = leaves(way)
	for i, p := range way {
		name := parted{device, p.Other}
		at := r.partings[name]
		if at == nil {
			at = &parting{device: device, seq: p.Seq, first: p.Other, way: way[:i], branches: map[events.Hash]bool{p.Other: true}}
			if r.partings == nil {
				r.partings = map[parted]*parting{}
			}
			r.partings[name] = at
		}
		at.branches[p.Link] = true
	}
}

// parted names a parting by the branch that came first.
type parted struct {
	device events.DeviceID
	first  events.Hash
}

// branchOf is the branch behind the parting that a record is on, by its link there; ok is false where the record does not
// lie behind it.
func (p *parting) branchOf(a *Arrival) (link events.Hash, ok bool) {
	if a.Record.Device != p.device || a.Record.Seq < p.seq {
		return link, false
	}
	way := leaves(a.Parted)
	n := 0
	for n < len(way) && way[n].Seq < p.seq {
		n++
	}
	if !slices.Equal(way[:n], p.way) {
		return link, false
	}
	if n < len(way) && way[n].Seq == p.seq {
		return way[n].Link, way[n].Other == p.first
	}
	return p.first, true
}

// branch says of every record how it stands among the branches of its device, and holds those that do not count for it.
func (r *resolver) branch() {
	if len(r.partings) == 0 {
		return
	}
	held := slices.Clone(r.held)
	r.divide(held)
	if len(r.settlings) == 0 {
		return
	}
	r.correct() // which of those stand
	slices.SortFunc(r.settlings, func(a, b settling) int { return compareWritten(&r.facts[a.fact], &r.facts[b.fact]) })
	for _, s := range r.settlings {
		if !r.facts[s.fact].Office || r.held[s.fact] || r.isGone(s.fact) {
			continue
		}
		for _, p := range r.partings {
			if p.device == s.device && p.seq == s.stands.Seq && p.branches[s.stands.Link] {
				p.stands = s.stands.Link
			}
		}
	}
	r.divide(held)
}

// divide does it by what is settled so far; held are those that are held otherwise.
func (r *resolver) divide(held []bool) {
	r.held = make([]bool, len(r.facts))
	copy(r.held, held)
	for i := range r.facts {
		f := &r.facts[i]
		f.Branch = Undivided
		for _, p := range r.partings {
			link, behind := p.branchOf(f.Arrival)
			switch {
			case !behind, f.Branch == Overruled:
			case p.stands.IsZero():
				f.Branch = Unsettled
			case p.stands != link:
				f.Branch = Overruled
			case f.Branch == Undivided:
				f.Branch = Settled
			}
		}
		r.held[i] = r.held[i] || f.divided()
	}
}

// divided tells whether a fact does not count for the branch that it is on.
func (f *Fact) divided() bool { return f.Branch == Unsettled || f.Branch == Overruled }

// Fork is a parting of a device's chain.
type Fork struct {
	Device   events.DeviceID
	Seq      events.Seq // of the first records that differ
	Branches []Side     // the one that came first, then by their links
	Settled  []*Fact    // the office's words about it that stand, in the order in which they were written
}

// Side is one of the branches behind a parting, with all that goes on from it.
type Side struct {
	Link    events.Hash // at the fork's Seq
	Stands  bool        // by the office's newest word
	Records []*Fact     // that are here, by number; of branches that part behind it, those of each
}

// Forks lists the partings that records show, by device and number.
func Forks(arrivals []Arrival, b Bounds) []Fork {
	all := make([]*Arrival, len(arrivals))
	for i := range arrivals {
		all[i] = &arrivals[i]
	}
	r := gather(all, b.KnownAt)
	r.hold()
	r.correct()
	var forks []Fork
	for _, p := range r.partings {
		f := Fork{Device: p.device, Seq: p.seq}
		for link := range p.branches {
			f.Branches = append(f.Branches, Side{Link: link, Stands: p.stands == link})
		}
		slices.SortFunc(f.Branches, func(a, b Side) int {
			switch p.first {
			case a.Link:
				return -1
			case b.Link:
				return 1
			}
			return slices.Compare(a.Link[:], b.Link[:])
		})
		for i := range r.facts {
			link, behind := p.branchOf(r.facts[i].Arrival)
			if at := slices.IndexFunc(f.Branches, func(s Side) bool { return s.Link == link }); behind && at >= 0 {
				f.Branches[at].Records = append(f.Branches[at].Records, &r.facts[i])
			}
		}
		for _, s := range f.Branches {
			slices.SortFunc(s.Records, compareNumbers)
		}
		for _, s := range r.settlings {
			if s.device == p.device && s.stands.Seq == p.seq && p.branches[s.stands.Link] && r.facts[s.fact].Office && !r.isHeld(s.fact) && !r.isGone(s.fact) {
				f.Settled = append(f.Settled, &r.facts[s.fact])
			}
		}
		forks = append(forks, f)
	}
	slices.SortFunc(forks, func(a, b Fork) int {
		return cmp.Or(strings.Compare(string(a.Device), string(b.Device)), cmp.Compare(a.Seq, b.Seq), slices.Compare(a.Branches[0].Link[:], b.Branches[0].Link[:]))
	})
	return forks
}

func compareNumbers(a, b *Fact) int {
	return cmp.Or(cmp.Compare(a.Record.Seq, b.Record.Seq), slices.Compare(a.Hash[:], b.Hash[:]))
}
