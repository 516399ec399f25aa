package events

// VesselEmptied ends a filling of a vessel: what was in it went elsewhere.
type VesselEmptied struct {
	Vessel Code     `f:"vessel,need"`
	To     Code     `f:"to"`
	Volume *float64 `f:"volume" lo:"0"`
	Unit   string   `f:"unit"` // of Volume and U; left out: L
	U      *float64 `f:"u" lo:"0"`
}

var _ = define[VesselEmptied]("vessel.emptied", 1, anyone)

func (*VesselEmptied) Kind() Kind { return "vessel.emptied" }

func (b *VesselEmptied) check() error {
	return first(checkVessel(b.Vessel), checkFlow(b.Vessel, b.To, b.Unit))
}
