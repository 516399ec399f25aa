package events

// HoldPlaced forbids the erasure of evidence: of the pieces named, or where none is, of all that the envelope's site,
// machine or visit has.
type HoldPlaced struct {
	Evidence []Digest `f:"evidence"`
	Why      Text     `f:"why,need"`
}

var _ = define[HoldPlaced]("hold.placed", 1, officeOnly)

func (*HoldPlaced) Kind() Kind { return "hold.placed" }
