package projections

import (
	"slices"

	"ullage/events"
)

// correction is a record that amends or withdraws another, its target.
//
// Each correction names, in over, the newest corrections of the target that its writer held. It supersedes those, and
// whatever they superseded. What nothing supersedes is a head:
//
//   - one head: the record is what the head makes of it, applied to what the head is over;
//   - several heads: a conflict. Until it is settled the record counts as it stood before all of them (or as they all
//     have it, where they say the same, such as two withdrawals);
//   - none: the record counts as written.
//
// Only the office settles a conflict. Its correction supersedes all heads that it lists, or that stand below one it
// lists; that of a device, made over heads that are in conflict, is one more head.
//
// A withdrawn correction is no head and supersedes nothing, so that what it was over is restored; corrections made
// over it stand. A held correction does not count either. A correction of a correction works in the same way, but what it
// corrects and what it is over stay as they were written. One whose target has not come waits.
type correction struct {
	fact   int
	target events.Target
	over   []events.Hash
	office bool
}

// classify files a record that decides about another.
func (r *resolver) classify(i int) {
	f := &r.facts[i]
	switch b := f.Body.(type) {
	case *events.RecordAmended:
		r.corrections = append(r.corrections, correction{i, b.Target, b.Over, f.Office})
	case *events.RecordWithdrawn:
		r.corrections = append(r.corrections, correction{i, b.Target, b.Over, f.Office})
	case *events.RecordAdmitted:
		r.admissions = append(r.admissions, correction{fact: i, target: b.Target})
	case *events.BranchSettled:
		r.settlings = append(r.settlings, settling{i, b.Device, b.Stands})
	}
}

// TargetOf is the record that a body amends, withdraws or admits; ok is false for bodies of all other kinds.
func TargetOf(body events.Body) (target events.Target, ok bool) {
	switch b := body.(type) {
	case *events.RecordAmended:
		return b.Target, true
	case *events.RecordWithdrawn:
		return b.Target, true
	case *events.RecordAdmitted:
		return b.Target, true
	}
	return events.Target{}, false
}

// root is the record at the end of a chain of targets: i itself where it corrects and admits nothing that is there.
func (r *resolver) root(i int) int {
	for range r.facts { // no longer, should hashes claim a circle
		target, ok, err := events.CorrectionOf(&r.facts[i].Record)
		if !ok || err != nil {
			break
		}
		next, here := r.find(target)
		if !here {
			break
		}
		i = next
	}
	return i
}

// hold decides which records are held: those that the gate held, and, as long as the gate has not spoken, what it will
// hold: a device's correction of another's record, and the office's kinds from a device. A record that the office
// admits is held no more. And those whose branch does not stand, admitted or not.
//
// Branches are judged first, then admissions, by those corrections that need none themselves.
func (r *resolver) hold() {
	for i := range r.facts {
		if f := &r.facts[i]; f.Held != "" || f.Received == 0 && !f.Office && waits(f) {
			r.mark(&r.held, i)
		}
	}
	r.branch()
	if r.held == nil || len(r.admissions) == 0 {
		return
	}
	r.correct()
	var admitted []int
	for _, a := range r.admissions {
		if r.facts[a.fact].Office && !r.held[a.fact] && !r.isGone(a.fact) {
			if at, here := r.find(a.target); here {
				admitted = append(admitted, at)
			}
		}
	}
	for _, i := range admitted {
		r.held[i] = r.facts[i].divided()
	}
}

// waits tells whether the gate will hold what a device has only kept so far.
func waits(f *Fact) bool {
	if target, ok := TargetOf(f.Body); ok && target.Device != f.Record.Device {
		return true
	}
	s, ok := events.SchemaOf(f.Record.Kind, f.Record.V)
	return ok && s.Office
}

func (r *resolver) mark(set *[]bool, i int) {
	if *set == nil {
		*set = make([]bool, len(r.facts))
	}
	(*set)[i] = true
}

func (r *resolver) isHeld(i int) bool { return r.held != nil && r.held[i] }
func (r *resolver) isGone(i int) bool { return r.gone != nil && r.gone[i] }

// correct applies the corrections that are not held. It starts from the records as written, so it can be done again.
func (r *resolver) correct() {
	for i := range r.held {
		switch f := &r.facts[i]; {
		case f.Branch == Unsettled:
			f.State = Conflict
		case r.held[i]:
			f.State = Held
		default:
			f.State = Stands
		}
	}
	if len(r.corrections) == 0 {
		return
	}
	slices.SortFunc(r.corrections, func(a, b correction) int { return compareWritten(&r.facts[a.fact], &r.facts[b.fact]) })
	r.of, r.gone = map[int][]int{}, nil
	for c := range r.corrections {
		if at, here := r.find(r.corrections[c].target); here {
			r.of[at] = append(r.of[at], c)
		}
	}
	done := map[int]bool{}
	for c := range r.corrections {
		if at, here := r.find(r.corrections[c].target); here {
			r.settle(at, done)
		}
	}
}

// settle resolves one record, after the corrections of it. Records that name each other in a circle cannot be written,
// since each would hold the other's hash; if somebody claims such hashes, the circle is cut where it was entered.
func (r *resolver) settle(i int, done map[int]bool) {
	if done[i] {
		return
	}
	done[i] = true
	if len(r.of[i]) == 0 {
		return
	}
	for _, c := range r.of[i] {
		r.settle(r.corrections[c].fact, done)
	}
	f := &r.facts[i]
	g := r.newGraph(i)
	v := g.outcome(g.all)
	v.put(f)
	if v.withdrawn {
		r.mark(&r.gone, i)
	}
	heads := g.heads(g.all)
	if !r.isHeld(i) && len(heads) > 0 {
		if f.State = g.verdict(heads); len(heads) > 1 {
			f.State = Conflict
		}
	}
	for _, c := range g.stands.list() {
		below := &r.facts[g.correction(c).fact]
		switch {
		case !slices.Contains(heads, c):
			below.State = g.verdict(g.above(c))
		case len(heads) > 1:
			below.State = Conflict
		}
	}
}
