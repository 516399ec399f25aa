package events

// VesselRinsed tells that an empty vessel was rinsed. What it was rinsed with is in it until it is emptied.
type VesselRinsed struct {
	Vessel Code     `f:"vessel,need"`
	With   Code     `f:"with"` // a product; water is built in
	Volume *float64 `f:"volume" lo:"0"`
	Unit   string   `f:"unit"` // of Volume and U; left out: L
	U      *float64 `f:"u" lo:"0"`
}

var _ = define[VesselRinsed]("vessel.rinsed", 1, anyone)

func (*VesselRinsed) Kind() Kind { return "vessel.rinsed" }

func (b *VesselRinsed) check() error { return first(checkVessel(b.Vessel), checkVolume(b.Unit)) }
