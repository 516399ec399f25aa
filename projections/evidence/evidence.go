// Package evidence tells which pieces of evidence were erased, and which must not be, from the records that order,
// confirm and forbid it.
//
// An erasure.done of the office is the order: from then on nobody is shown the piece, here or on any device. It counts
// as it was written, for ever: what was erased does not come back when the order is withdrawn. An erasure.done of
// another device confirms that its copy is gone; without an order it counts as nothing, and is flagged.
//
// A hold forbids erasure: of the pieces that it names, or of all that the records of a visit, a machine or a site name,
// those that are still to come as well. It stands until a lift of the same pieces, or of the same visit, machine or
// site, ends it, with any other on these; or until it is withdrawn itself, which ends that one alone.
//
// What came first is told by the order in which records were written, not by the time for which they were stated: a
// hold that is dated back, or ahead, forbids from when it was written, and nothing before. Whoever writes an order has
// to make sure that no hold stands: the fold takes the office by its word.
package evidence

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"ullage/events"
	"ullage/projections"
)

// Origin is the record that says something.
type Origin struct {
	ID     events.RecordID
	Device events.DeviceID
	By     events.StaffCode
	Done   events.Millis // as stated
	Zone   int
}

// Order is the office's order to erase a piece.
type Order struct {
	Evidence events.Digest
	Ground   events.Text
	Origin
}

// Hold forbids erasure: of the pieces in Evidence, or where there is none, of Scope.
type Hold struct {
	Evidence []events.Digest
	Scope    Scope
	Why      events.Text
	Origin
}

// Scope is a visit, a machine or a site: one of the three.
type Scope struct {
	Visit   events.RecordID
	Machine events.MachineID
	Site    events.SiteID
}

// ScopeOf is the narrowest that an envelope names.
func ScopeOf(visit events.RecordID, machine events.MachineID, site events.SiteID) Scope {
	switch {
	case !visit.IsZero():
		return Scope{Visit: visit}
	case machine != "":
		return Scope{Machine: machine}
	}
	return Scope{Site: site}
}

// IsZero tells whether it is none of the three.
func (s Scope) IsZero() bool { return s == Scope{} }

// String names it in words.
func (s Scope) String() string {
	switch {
	case !s.Visit.IsZero():
		return "visit " + s.Visit.String()
	case s.Machine != "":
		return "machine " + string(s.Machine)
	}
	return "site " + string(s.Site)
}

// State is what the office has ordered and forbidden. Nobody changes it.
type State struct {
	Orders []Order // in the order in which they were written; of one piece the first
	Holds  []Hold  // those that stand, likewise

	at map[events.Digest]int // of Orders
}

// Fold finds the state, from the history of all records that order, confirm or forbid an erasure, with their
// corrections.
func Fold(h projections.History) *State {
	s := &State{at: map[events.Digest]int{}}
	for _, f := range written(h.All) {
		if f.Office && f.State != projections.Held {
			s.order(f)
		}
	}
	for _, f := range written(h.Facts) {
		s.hold(f)
	}
	return s
}

// With is the state after lines that the office is about to write, in their order.
func (s *State) With(lines []projections.Fact) *State {
	next := &State{slices.Clone(s.Orders), slices.Clone(s.Holds), maps.Clone(s.at)}
	for i := range lines {
		next.order(&lines[i])
		next.hold(&lines[i])
	}
	return next
}

// written puts facts into the order in which they were written.
func written(facts []projections.Fact) []*projections.Fact {
	all := make([]*projections.Fact, len(facts))
	for i := range facts {
		all[i] = &facts[i]
	}
	slices.SortStableFunc(all, func(a, b *projections.Fact) int {
		return cmp.Or(cmp.Compare(a.Record.Clock, b.Record.Clock), strings.Compare(string(a.Record.Device), string(b.Record.Device)), cmp.Compare(a.Record.Seq, b.Record.Seq))
	})
	return all
}

func origin(f *projections.Fact) Origin {
	return Origin{f.Record.ID, f.Record.Device, f.By, f.Done, f.Zone}
}

// scopeOf is what a hold without pieces is about.
func scopeOf(f *projections.Fact, pieces []events.Digest) Scope {
	if len(pieces) > 0 {
		return Scope{}
	}
	return ScopeOf(f.Visit, f.Machine, f.Site)
}

// order takes an order, as it was written.
func (s *State) order(f *projections.Fact) {
	b, ok := asWritten(f.Arrival)
	if !ok {
		return
	}
	r := &f.Record
	for _, d := range b.Evidence {
		if _, known := s.at[d]; known {
			continue
		}
		s.at[d] = len(s.Orders)
		s.Orders = append(s.Orders, Order{d, b.Ground, Origin{r.ID, r.Device, r.By, r.Done, r.Zone}})
	}
}

func asWritten(a *projections.Arrival) (*events.ErasureDone, bool) {
	if a.Record.Kind != "erasure.done" {
		return nil, false
	}
	content := a.Content
	if content == nil {
		read := projections.Read(a.Record.Kind, a.Record.V, a.Record.Body)
		content = &read
	}
	b, ok := content.Body.(*events.ErasureDone)
	return b, ok
}

// hold takes what places or lifts a hold.
func (s *State) hold(f *projections.Fact) {
	switch b := f.Body.(type) {
	case *events.HoldPlaced:
		if scope := scopeOf(f, b.Evidence); len(b.Evidence) > 0 || !scope.IsZero() {
			s.Holds = append(s.Holds, Hold{b.Evidence, scope, b.Why, origin(f)})
		}
	case *events.HoldLifted:
		s.lift(b.Evidence, scopeOf(f, b.Evidence))
	}
}

// lift ends the holds on pieces, or on a scope.
func (s *State) lift(pieces []events.Digest, scope Scope) {
	var stand []Hold
	for _, h := range s.Holds {
		if len(h.Evidence) > 0 {
			h.Evidence = slices.DeleteFunc(slices.Clone(h.Evidence), func(d events.Digest) bool { return slices.Contains(pieces, d) })
			if len(h.Evidence) > 0 {
				stand = append(stand, h)
			}
		} else if h.Scope != scope {
			stand = append(stand, h)
		}
	}
	s.Holds = stand
}

// Erased finds the order to erase a piece.
func (s *State) Erased(d events.Digest) (Order, bool) {
	at, ok := s.at[d]
	if !ok {
		return Order{}, false
	}
	return s.Orders[at], true
}

// On finds the first hold on a piece.
func (s *State) On(d events.Digest) (Hold, bool) {
	return s.first(func(h *Hold) bool { return slices.Contains(h.Evidence, d) })
}

// OnScope finds the first hold on a visit, a machine or a site.
func (s *State) OnScope(scope Scope) (Hold, bool) {
	return s.first(func(h *Hold) bool { return len(h.Evidence) == 0 && h.Scope == scope })
}

func (s *State) first(is func(*Hold) bool) (Hold, bool) {
	for i := range s.Holds {
		if is(&s.Holds[i]) {
			return s.Holds[i], true
		}
	}
	return Hold{}, false
}

// Named adds to found the pieces that records name: as they were written, and as any amendment would have them.
func Named(found map[events.Digest]bool, facts []projections.Fact) {
	byTarget := map[events.Target]*projections.Fact{}
	for i := range facts {
		byTarget[facts[i].Target()] = &facts[i]
	}
	for i := range facts {
		f := &facts[i]
		list := events.EvidenceIn(f.Record.Kind, f.Record.V, f.Record.Body)
		if target, ok, err := events.CorrectionOf(&f.Record); ok && err == nil {
			if about := byTarget[target]; about != nil {
				list = append(list, events.EvidenceAmended(&f.Record, about.Record.Kind, about.Record.V)...)
			}
		}
		for _, d := range list {
			found[d] = true
		}
	}
}
