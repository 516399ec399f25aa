package events

import "ullage/events/unit"

// Flow is what one record says of fluid that went from one place to another. The default uncertainty of its method is
// not in it: that is the ledger's.
type Flow struct {
	From Code // empty where the record does not say: a dose, what a vessel was rinsed with
	To   Code
	L    float64  // litres
	U    *float64 // standard uncertainty as it was given, in litres; in kilograms where Kg stands for L
	Kg   *float64 // of a dose that was weighed and has no volume: L is 0 and needs the product's density

	Product    Code     // where it is told
	Strength   *float64 // per cent of concentrate, where it is told
	Method     Word     // empty where none was given
	Instrument Code
}

// FlowOf is the flow that a body tells of. The bodies that can are those of dose.added, fluid.removed, fluid.returned,
// fluid.added and fluid.spilled, and vessel.emptied and vessel.rinsed where they have a volume. It tells false for all
// others, and where the unit is none of those that Check takes.
func FlowOf(b Body) (Flow, bool) {
	switch b := b.(type) {
	case *FluidRemoved:
		return Flow{From: b.From, To: b.To, Method: b.Method, Instrument: b.Instrument}.litres(&b.Volume, b.Unit, b.U)
	case *FluidReturned:
		return Flow{From: b.From, To: b.To, Method: b.Method, Instrument: b.Instrument}.litres(&b.Volume, b.Unit, b.U)
	case *FluidAdded:
		return Flow{From: b.From, To: b.To, Product: b.Product, Strength: b.Strength, Method: b.Method, Instrument: b.Instrument}.litres(&b.Volume, b.Unit, b.U)
	case *FluidSpilled:
		f := Flow{From: b.From, To: Code(b.Reached), Method: b.Method, Instrument: b.Instrument}
		if f.To == "" {
			f.To = "floor"
		}
		return f.litres(&b.Volume, b.Unit, b.U)
	case *DoseAdded:
		f := Flow{To: b.To, Product: b.Product, Method: b.Method, Instrument: b.Instrument}
		if f.To == "" {
			f.To = "bath"
		}
		if b.Volume == nil && b.Mass != nil {
			return f.kilograms(*b.Mass, b.Unit, b.U)
		}
		return f.litres(b.Volume, b.Unit, b.U)
	case *VesselEmptied:
		return Flow{From: b.Vessel, To: b.To}.litres(b.Volume, b.Unit, b.U)
	case *VesselRinsed:
		return Flow{To: b.Vessel, Product: b.With}.litres(b.Volume, b.Unit, b.U)
	}
	return Flow{}, false
}

func (f Flow) litres(volume *float64, code string, u *float64) (Flow, bool) {
	l, err := VolumeUnit(code)
	if err != nil || volume == nil {
		return Flow{}, false
	}
	f.L, f.U = inSI(l, *volume, u)
	return f, true
}

func (f Flow) kilograms(mass float64, code string, u *float64) (Flow, bool) {
	if code == "" {
		code = "kg"
	}
	kg, err := unit.Lookup(code, unit.Mass)
	if err != nil {
		return Flow{}, false
	}
	mass, f.U = inSI(kg, mass, u)
	f.Kg = &mass
	return f, true
}

// VolumeUnit is the unit of a volume: the one that was given, or litres. The error wraps unit.ErrUnit.
func VolumeUnit(code string) (unit.Unit, error) {
	if code == "" {
		code = "L"
	}
	return unit.Lookup(code, unit.Volume)
}

func inSI(by unit.Unit, value float64, u *float64) (float64, *float64) {
	x := unit.Value{V: value}
	if u != nil {
		x.U = *u
	}
	x = by.SI(x)
	if u == nil {
		return x.V, nil
	}
	return x.V, &x.U
}
