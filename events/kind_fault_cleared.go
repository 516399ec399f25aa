package events

// FaultCleared tells that a fault is no more; without a position, all of that fault.
type FaultCleared struct {
	Fault    string `f:"fault,need"`
	Grade    *int64 `f:"grade" lo:"1" hi:"3"`
	Position Code   `f:"position"`
	Text     Text   `f:"text"`
}

var _ = define[FaultCleared]("fault.cleared", 1, anyone)

func (*FaultCleared) Kind() Kind { return "fault.cleared" }
