package ledger

import (
	"cmp"
	"slices"
	"strconv"

	"ullage/events"
	"ullage/projections"
)

// Flags of a filling, beside projections.NotStarted.
const (
	TwoOrigins projections.Flag = "mixes two origins"  // a flow came in from another site than the filling's origin
	Overdrawn  projections.Flag = "more-out-than-in"   // the records took out more than they put in
	Overfull   projections.Flag = "more-than-it-holds" // the records put in more than the vessel's capacity
)

// Vessel is what the records put into one filling of a vessel, less what they took out, wherever they did.
type Vessel struct {
	Vessel  events.Code         `json:"vessel"`
	Filling *string             `json:"filling"` // such as p-31/4; nil where the vessel was never started
	L       projections.Amount  `json:"l"`       // of a vessel that was handed over: what was in it then
	Ullage  *projections.Amount `json:"ullage_l"`
	Origin  events.SiteID       `json:"origin"` // empty where it is not known
	Ended   *Time               `json:"ended"`  // when it was emptied or handed over; nil while it stands
	Flags   []projections.Flag  `json:"flags"`
}

// filling is one filling of a vessel, as it goes on.
type filling struct {
	vessel   events.Code
	number   int // from 1; 0 where the vessel was never started
	capacity *float64
	origin   events.SiteID
	mixed    bool
	l        float64
	ended    *projections.Fact
	stray    bool // something went in or out that was never started, or after its end
	ours     bool // the machine has a part in it
}

// vessels are all fillings, by the order of the fold.
type vessels struct {
	open    map[events.Code]*filling // the newest of each vessel
	all     []*filling
	strange map[events.RecordID]bool // flows from or to a vessel that was not started
}

// follow follows the vessels of a machine through the flows of all machines. A flow belongs to the filling that was
// begun last before it.
func follow(in projections.Input, p places) *vessels {
	v := &vessels{open: map[events.Code]*filling{}, strange: map[events.RecordID]bool{}}
	for i := range in.Vessels.Facts {
		f := &in.Vessels.Facts[i]
		ours := f.Machine == in.Machine && in.Machine != ""
		switch b := f.Body.(type) {
		case *events.VesselStarted:
			v.start(b, f)
		case *events.VesselEmptied:
			v.empty(b, f, in.Register)
		case *events.VesselHanded:
			v.of(b.Vessel).ended = f
		case *events.VesselRinsed:
			if flow, ok := events.FlowOf(b); ok {
				v.move(p, f, flow, in.Register, ours)
			}
		default:
			if flow, ok := flowOf(f.Body); ok {
				v.move(p, f, flow, in.Register, ours)
			}
		}
	}
	return v
}

// of is the newest filling of a vessel.
func (v *vessels) of(vessel events.Code) *filling {
	h := v.open[vessel]
	if h == nil {
		h = &filling{vessel: vessel, stray: true}
		v.open[vessel], v.all = h, append(v.all, h)
	}
	return h
}

func (v *vessels) start(b *events.VesselStarted, f *projections.Fact) {
	number := 1
	if before := v.open[b.Vessel]; before != nil {
		number = before.number + 1
	}
	h := &filling{vessel: b.Vessel, number: number, capacity: b.CapacityL, origin: b.Origin}
	if h.origin == "" {
		h.origin = f.Site
	}
	v.open[b.Vessel], v.all = h, append(v.all, h)
}

// empty ends a filling. Whatever the record says went elsewhere, nothing is left.
func (v *vessels) empty(b *events.VesselEmptied, f *projections.Fact, register *projections.Register) {
	h := v.of(b.Vessel)
	l := max(h.l, 0)
	if m, ok := amountOf(register, f); ok {
		l = m.l
	}
	if !projections.IsPlace(b.To) && v.open[b.To] != nil {
		v.open[b.To].take(l, h.origin)
	}
	h.l, h.ended = 0, f
}

// move takes a flow out of the vessel that it comes from, and puts it into the one that it goes to.
func (v *vessels) move(p places, f *projections.Fact, flow events.Flow, register *projections.Register, ours bool) {
	m, known := amountOf(register, f)
	if !known {
		m = measured{}
	}
	origin := f.Site // a tank stands at the site, and so do the site's tap and its stock
	switch flow.From {
	case "", "van", "stock", "demineralised", "vessel":
		origin = ""
	}
	rinse := f.Record.Kind == "vessel.rinsed"
	touch := func(h *filling) {
		h.ours = h.ours || ours
		if h.number == 0 || h.ended != nil && !rinse {
			h.stray = true
			v.strange[f.Record.ID] = true
		}
	}
	if vessel, ok := p.vessel(f, flow.From); ok {
		h := v.of(vessel)
		touch(h)
		h.l -= m.l
		origin = h.origin
	}
	if vessel, ok := p.vessel(f, flow.To); ok {
		h := v.of(vessel)
		touch(h)
		h.take(m.l, origin)
	}
}

// take puts fluid from an origin into a filling.
func (h *filling) take(l float64, origin events.SiteID) {
	h.l += l
	switch {
	case origin == "":
	case h.origin == "":
		h.origin = origin
	case h.origin != origin:
		h.mixed = true
	}
}

// list is the fillings that the machine has a part in, ascending by vessel and filling.
func (v *vessels) list() []Vessel {
	list := []Vessel{}
	slices.SortStableFunc(v.all, func(a, b *filling) int {
		return cmp.Or(cmp.Compare(a.vessel, b.vessel), cmp.Compare(a.number, b.number))
	})
	for _, h := range v.all {
		if h.ours {
			list = append(list, h.shown())
		}
	}
	return list
}

func (h *filling) shown() Vessel {
	s := Vessel{Vessel: h.vessel, L: projections.Amount(projections.Fixed(h.l)), Origin: h.origin, Flags: []projections.Flag{}}
	if h.number > 0 {
		name := string(h.vessel) + "/" + strconv.Itoa(h.number)
		s.Filling = &name
	}
	if h.capacity != nil && possible(*h.capacity) {
		left := projections.Amount(projections.Fixed(*h.capacity - h.l))
		s.Ullage = &left
		if left < 0 {
			s.Flags = append(s.Flags, Overfull)
		}
	}
	if h.ended != nil {
		at := timeOf(h.ended)
		s.Ended = &at
	}
	if h.stray {
		s.Flags = append(s.Flags, projections.NotStarted)
	}
	if h.mixed {
		s.Flags = append(s.Flags, TwoOrigins)
	}
	if s.L < 0 {
		s.Flags = append(s.Flags, Overdrawn)
	}
	slices.Sort(s.Flags)
	return s
}
