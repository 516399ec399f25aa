package ledger

import (
	"ullage/events"
	"ullage/projections"
)

// places tells tanks, vessels and other places apart.
type places struct{ register *projections.Register }

// newest is the last entry of a machine that the register holds. It helps where a technician was faster than the
// office: a tank is the same tank before its machine was entered.
func (p places) newest(machine events.MachineID) *events.MachineEntered {
	return p.register.Entry(machine, events.MaxMillis)
}

// tankOf is the tank that a reading, a renewal or an account of a customer is of, false where of names none.
func (p places) tankOf(f *projections.Fact, of string) (string, bool) {
	name, _, ok := projections.TankOf(p.register.Entry(f.Machine, f.At), of)
	if !ok {
		return "", false
	}
	return p.called(f.Machine, name), true
}

// called is what a tank is called now: "bath" where the register knew no better at the time is the first tank.
func (p places) called(machine events.MachineID, name string) string {
	if name != projections.Bath {
		return name
	}
	name, _, _ = projections.TankOf(p.newest(machine), projections.Bath)
	return name
}

// tank is the tank of the fact's machine that a flow's place names, false where it names none.
func (p places) tank(f *projections.Fact, place events.Code) (string, bool) {
	if f.Machine == "" {
		return "", false
	}
	name, ok := projections.IsTank(p.register.Entry(f.Machine, f.At), place)
	if !ok {
		name, ok = projections.IsTank(p.newest(f.Machine), place)
	}
	if !ok {
		return "", false
	}
	return p.called(f.Machine, name), true
}

// vessel is the vessel that a flow's place names, false where it names none.
func (p places) vessel(f *projections.Fact, place events.Code) (events.Code, bool) {
	if _, ok := p.tank(f, place); ok || projections.IsPlace(place) {
		return "", false
	}
	return place, true
}
