package events

// HoldLifted ends a hold on the same pieces, or on the same site, machine or visit.
type HoldLifted struct {
	Evidence []Digest `f:"evidence"`
	Why      Text     `f:"why,need"`
}

var _ = define[HoldLifted]("hold.lifted", 1, officeOnly)

func (*HoldLifted) Kind() Kind { return "hold.lifted" }
