package events

// VesselStarted begins a filling of a vessel, with one origin.
type VesselStarted struct {
	Vessel    Code     `f:"vessel,need"`
	Form      Word     `f:"form" in:"drum,pail,tote,can"`
	CapacityL *float64 `f:"capacity_l" lo:"0" hi:"100000"`
	TareKg    *float64 `f:"tare_kg" lo:"0" hi:"100000"`
	Origin    SiteID   `f:"origin"` // left out: the envelope's site
	Use       Word     `f:"use" in:"waste,holding,stock"`
	UnMark    string   `f:"un_mark"` // as it stands on the vessel
	Made      string   `f:"made"`    // when the vessel was made, as it stands on it: a year, a month, a day
}

var _ = define[VesselStarted]("vessel.started", 1, anyone)

func (*VesselStarted) Kind() Kind { return "vessel.started" }

func (b *VesselStarted) check() error { return checkVessel(b.Vessel) }
