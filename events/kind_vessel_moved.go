package events

import "strconv"

// VesselMoved tells that a vessel changed its place.
type VesselMoved struct {
	Vessel Code `f:"vessel,need"`
	From   Word `f:"from" in:"site-store,van,depot"`
	To     Word `f:"to,need" in:"site-store,van,depot"`
}

var _ = define[VesselMoved]("vessel.moved", 1, anyone)

func (*VesselMoved) Kind() Kind { return "vessel.moved" }

func (b *VesselMoved) check() error {
	if b.From == b.To {
		return &FieldError{"to", strconv.Quote(string(b.To)), "the vessel is moved to another place than it comes from"}
	}
	return checkVessel(b.Vessel)
}
