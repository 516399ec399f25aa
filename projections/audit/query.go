package audit

import (
	"slices"
	"strconv"

	"ullage/events"
	"ullage/projections"
)

// Query says which records are wanted: those that meet all of what is given. With a record go its corrections.
type Query struct {
	// Machine wants what was written on a machine or corrected to it, and, of the visits in which it has a record,
	// what concerns no machine.
	Machine events.MachineID
	Site    events.SiteID   // written on a site, or corrected to it
	Visit   events.RecordID // of a visit, or corrected to it
	Device  events.DeviceID // written by a device
}

// index finds records by what names them.
type index struct {
	all         []projections.Fact
	places      map[events.Target]int
	targets     map[int]events.Target // of corrections and admissions
	corrections map[int][]int         // amendments and withdrawals of a record
}

func newIndex(h projections.History) *index {
	x := &index{all: h.All, places: make(map[events.Target]int, len(h.All)), targets: map[int]events.Target{}, corrections: map[int][]int{}}
	for i := range h.All {
		x.places[h.All[i].Target()] = i
		if target, ok, err := events.CorrectionOf(&h.All[i].Record); ok && err == nil {
			x.targets[i] = target
		}
	}
	for i := range h.All {
		if at, here := x.above(i); here && h.All[i].Record.Kind != events.KindAdmitted {
			x.corrections[at] = append(x.corrections[at], i)
		}
	}
	return x
}

// above is the record that a correction or an admission is about, where it is here.
func (x *index) above(i int) (at int, here bool) {
	target, ok := x.targets[i]
	if ok {
		at, here = x.places[target]
	}
	return at, here
}

// wanted tells of each record whether q asks for it.
func (x *index) wanted(q Query) []bool {
	wanted := make([]bool, len(x.all))
	for i := range wanted {
		wanted[i] = q.Device == "" || x.all[i].Record.Device == q.Device
	}
	narrow := func(given bool, is func(i int) bool) {
		if !given {
			return
		}
		for i, meets := range x.withCorrections(is) {
			wanted[i] = wanted[i] && meets
		}
	}
	narrow(q.Machine != "", x.onMachine(q.Machine))
	narrow(q.Site != "", x.matching(
		func(f *projections.Fact) bool { return f.Site == q.Site || f.Record.Site == q.Site },
		func(b *events.RecordAmended) bool { return b.Site == q.Site }))
	narrow(!q.Visit.IsZero(), x.matching(
		func(f *projections.Fact) bool { return f.Visit == q.Visit || f.Record.Visit == q.Visit },
		func(b *events.RecordAmended) bool { return b.Visit == q.Visit }))
	return wanted
}

// Select returns those records of h that q asks for, in the order of the fold.
func Select(h projections.History, q Query) []projections.Fact {
	wanted := newIndex(h).wanted(q)
	var all []projections.Fact
	for i := range h.All {
		if wanted[i] {
			all = append(all, h.All[i])
		}
	}
	return all
}

// withCorrections are the records that meet a rule, and those that correct or admit one of them.
func (x *index) withCorrections(is func(i int) bool) []bool {
	meets := make([]bool, len(x.all))
	for i := range x.all {
		at, here := i, true
		for range x.all { // up the chain of targets; no longer, should somebody claim a circle
			if meets[i] = is(at); meets[i] {
				break
			}
			if at, here = x.above(at); !here {
				break
			}
		}
	}
	return meets
}

// matching is the rule of records that match, or that any amendment, whatever became of it, moved to where they would.
func (x *index) matching(match func(*projections.Fact) bool, moved func(*events.RecordAmended) bool) func(i int) bool {
	return func(i int) bool {
		return match(&x.all[i]) || slices.ContainsFunc(x.corrections[i], func(c int) bool {
			b, ok := x.all[c].Body.(*events.RecordAmended)
			return ok && moved(b)
		})
	}
}

func (x *index) onMachine(id events.MachineID) func(i int) bool {
	on := x.matching(
		func(f *projections.Fact) bool { return f.Machine == id || f.Record.Machine == id },
		func(b *events.RecordAmended) bool { return b.Machine == id })
	visits := map[events.RecordID]bool{}
	for _, v := range Visits(x.all, id) {
		visits[v] = true
	}
	return func(i int) bool {
		f := &x.all[i]
		return on(i) || f.Machine == "" && f.Record.Machine == "" && (visits[f.Visit] || visits[f.Record.Visit])
	}
}

// Visits are the visits in which a machine has a record, in the order in which they first come. A reader that wants
// the list of a machine puts the histories of these beside the machine's.
func Visits(all []projections.Fact, id events.MachineID) []events.RecordID {
	var visits []events.RecordID
	seen := map[events.RecordID]bool{{}: true} // none is no visit
	for i := range all {
		f := &all[i]
		if f.Machine != id && f.Record.Machine != id {
			continue
		}
		for _, v := range [...]events.RecordID{f.Record.Visit, f.Visit} {
			if !seen[v] {
				seen[v] = true
				visits = append(visits, v)
			}
		}
	}
	return visits
}

func seq(n events.Seq) string { return strconv.FormatUint(uint64(n), 10) }
