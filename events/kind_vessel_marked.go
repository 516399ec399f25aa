package events

// VesselMarked tells what a vessel's label says from now on, and who decided it.
type VesselMarked struct {
	Vessel    Code     `f:"vessel,need"`
	Contents  string   `f:"contents"`
	Use       Word     `f:"use" in:"waste,return,stock,undecided"`
	Code      string   `f:"code"` // of the waste, in the list that holds at the site
	DecidedBy Word     `f:"decided_by" in:"customer,office,laboratory"`
	Hazards   []string `f:"hazards"`
	Why       Word     `f:"why" in:"first,changed,wrong-before"`
}

var _ = define[VesselMarked]("vessel.marked", 1, anyone)

func (*VesselMarked) Kind() Kind { return "vessel.marked" }

func (b *VesselMarked) check() error { return checkVessel(b.Vessel) }
