package events

// FaultFound tells of something wrong with a machine. It stands open until it is cleared.
type FaultFound struct {
	Fault    string `f:"fault,need"`
	Grade    *int64 `f:"grade" lo:"1" hi:"3"`
	Position Code   `f:"position"`
	Text     Text   `f:"text"`
}

var _ = define[FaultFound]("fault.found", 1, anyone)

func (*FaultFound) Kind() Kind { return "fault.found" }
