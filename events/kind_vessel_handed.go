package events

// VesselHanded ends the custody of a vessel: it was handed to whoever takes the waste.
type VesselHanded struct {
	Vessel  Code     `f:"vessel,need"`
	To      string   `f:"to"` // who receives it in the end
	Carrier string   `f:"carrier"`
	Paper   string   `f:"paper"` // number of the waste paper
	SealNo  string   `f:"seal_no"`
	Kg      *float64 `f:"kg" lo:"0"` // gross, where it was weighed
}

var _ = define[VesselHanded]("vessel.handed", 1, anyone)

func (*VesselHanded) Kind() Kind { return "vessel.handed" }

func (b *VesselHanded) check() error { return checkVessel(b.Vessel) }
