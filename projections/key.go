package projections

import (
	"cmp"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/pack"
)

// Space says what a Key names.
type Space string

// The spaces. A record belongs to a machine, a visit and a site by its envelope; to a vessel by its body; to the others
// as an entry of the register.
const (
	OfMachine    Space = "machine"
	OfVisit      Space = "visit" // named by its UUID
	OfSite       Space = "site"
	OfVessel     Space = "vessel"
	OfCustomer   Space = "customer"
	OfClass      Space = "class"
	OfFluid      Space = "fluid"
	OfPart       Space = "part"
	OfItem       Space = "item"
	OfInstrument Space = "instrument"
)

// Key names a history: all records about one thing.
type Key struct {
	Space Space
	Name  string
}

func (k Key) String() string { return string(k.Space) + ":" + k.Name }

func compareKeys(a, b Key) int {
	return cmp.Or(strings.Compare(string(a.Space), string(b.Space)), strings.Compare(a.Name, b.Name))
}

// Touches lists the histories that a record belongs to by what it says itself, ascending, none twice. body is the
// record's, nil where it cannot be read.
//
// A history is complete with three more rules, which need an index of targets (TargetOf): with a record belong its
// corrections and admissions, with a correction its target, and all of them belong to every history that one of them
// touches. So an amendment that moves a record to another machine, or names another vessel, brings the record there.
// What does not count there in the end is for the projection to pass over, by the envelope that counts.
//
// A flow's place that is no listed one counts as a vessel here, though it can be a tank of the machine; Needs, which
// knows the tanks, does not ask for such a history.
func Touches(r *events.Record, body events.Body) []Key {
	var k keys
	k.machine(r.Machine)
	k.visit(r.Visit)
	k.site(r.Site)
	switch b := body.(type) {
	case *events.RecordAmended:
		k.machine(b.Machine)
		k.visit(b.Visit)
		k.site(b.Site)
		k.amended(b.Body)
	case *events.ReadingTaken:
		k.of(b.Of)
	case *events.LookNoted:
		k.of(b.Of)
	case *events.VesselStarted:
		k.vessel(b.Vessel)
		k.site(b.Origin)
	case *events.VesselRinsed:
		k.vessel(b.Vessel)
	case *events.VesselMarked:
		k.vessel(b.Vessel)
	case *events.VesselMoved:
		k.vessel(b.Vessel)
	case *events.VesselEmptied:
		k.vessel(b.Vessel)
		k.vessel(b.To)
	case *events.VesselHanded:
		k.vessel(b.Vessel)
	case *events.FluidAdded:
		k.vessel(b.From)
		k.vessel(b.To)
	case *events.FluidRemoved:
		k.vessel(b.From)
		k.vessel(b.To)
	case *events.FluidReturned:
		k.vessel(b.From)
		k.vessel(b.To)
	case *events.FluidSpilled:
		k.vessel(b.From)
	case *events.DoseAdded:
		k.vessel(b.To)
	case *events.MachineMoved:
		k.site(b.From)
		k.site(b.To)
	case *events.MachineRetired:
		k.site(b.To)
	case *events.DisputeOpened:
		k.machine(b.Machine)
		k.visit(b.Visit)
	case *events.DisputeAnswered:
		k.machine(b.Machine)
		k.visit(b.Visit)
	case *events.DisputeSettled:
		k.machine(b.Machine)
		k.visit(b.Visit)
	case *events.BillSent:
		k.visit(b.Visit)
	case *events.CustomerEntered:
		k.add(OfCustomer, string(b.Code))
	case *events.ClassSpecified:
		k.add(OfClass, string(b.Class))
	case *events.FluidSpecified:
		k.add(OfFluid, string(b.Fluid))
	case *events.PartSpecified:
		k.add(OfPart, string(b.Part))
	case *events.ItemSpecified:
		k.add(OfItem, string(b.Item))
	case *events.InstrumentSpecified:
		k.add(OfInstrument, string(b.Instrument))
	case *events.InstrumentChecked:
		k.add(OfInstrument, string(b.Instrument))
	case *events.AgreementSet:
		k.site(b.Site)
		k.add(OfCustomer, string(b.Customer))
	}
	return k.sorted()
}

// keys collects keys.
type keys []Key

func (k *keys) add(space Space, name string) {
	if name != "" {
		*k = append(*k, Key{space, name})
	}
}

func (k *keys) machine(id events.MachineID) { k.add(OfMachine, string(id)) }
func (k *keys) site(id events.SiteID)       { k.add(OfSite, string(id)) }

func (k *keys) visit(id events.RecordID) {
	if !id.IsZero() {
		k.add(OfVisit, id.String())
	}
}

func (k *keys) vessel(code events.Code) {
	if !IsPlace(code) {
		k.add(OfVessel, string(code))
	}
}

func (k *keys) of(of string) {
	if code, ok := strings.CutPrefix(of, "vessel:"); ok {
		k.vessel(events.Code(code))
	}
}

func (k *keys) sorted() []Key {
	slices.SortFunc(*k, compareKeys)
	return slices.Compact(*k)
}

// amended reads the names in the new body of an amended record, whose kind only its target knows. It may find more than
// there is: a history that is too large is folded to the same result.
func (k *keys) amended(body events.Raw) {
	in := pack.NewReader(body)
	for n := in.Map(events.MaxList); n > 0 && in.Err() == nil; n-- {
		field := in.String()
		if in.Next() != pack.String {
			in.Skip(events.MaxDepth)
			continue
		}
		switch value := in.String(); field {
		case "vessel", "from", "to":
			k.vessel(events.Code(value))
		case "of":
			k.of(value)
		case "origin":
			k.site(events.SiteID(value))
		case "code":
			k.add(OfCustomer, value)
		case "class", "fluid", "part", "item", "instrument":
			k.add(Space(field), value)
		}
	}
}

// IsPlace tells whether a flow's from or to is one of the listed places, which are no vessels. What is none of them is
// a vessel's code or a tank of the machine.
func IsPlace(code events.Code) bool {
	switch code {
	case "", Bath, "stock", "drain", "floor", "van", "site-stock", "tap", "demineralised", "vessel", "soil", "bund", "site-store", "depot":
		return true
	}
	return false
}

// Needs lists the histories beside its own on which the results of a machine rest: of the vessels that its fluid came
// from or went to, and the register's entries on its class and fluids, its parts, and the instruments that were used.
// h is the machine's history; keys ascend, none twice.
//
// So a record of the register makes those machines settle again that rest on a history it touches. A flow into a vessel
// that more than one machine used does not: settled results rest on no vessel, as Projection has it.
func Needs(id events.MachineID, h History) []Key {
	tanks := map[events.Code]bool{}
	for i := range h.Facts {
		if b, ok := h.Facts[i].Body.(*events.MachineEntered); ok && h.Facts[i].Machine == id {
			for _, t := range b.Tanks {
				tanks[t.Tank] = true
			}
		}
	}
	var k keys
	vessel := func(code events.Code) {
		if !tanks[code] {
			k.vessel(code)
		}
	}
	for i := range h.Facts {
		if h.Facts[i].Machine != id {
			continue
		}
		if flow, ok := events.FlowOf(h.Facts[i].Body); ok {
			vessel(flow.From)
			vessel(flow.To)
			k.fluid(flow.Product)
			k.add(OfInstrument, string(flow.Instrument))
		}
		switch b := h.Facts[i].Body.(type) {
		case *events.MachineEntered:
			k.add(OfClass, string(b.Class))
			k.fluid(b.Fluid)
		case *events.BathRenewed:
			k.fluid(b.Product)
		case *events.ReadingTaken:
			k.of(b.Of)
			k.add(OfInstrument, string(b.Instrument))
		case *events.PartSwapped:
			if b.In != nil {
				k.add(OfPart, string(b.In.Part))
			}
			if b.Out != nil {
				k.add(OfPart, string(b.Out.Part))
			}
		}
	}
	return k.sorted()
}

// fluid adds a product, but for water, which is built in.
func (k *keys) fluid(code events.Code) {
	if code != "water" {
		k.add(OfFluid, string(code))
	}
}
