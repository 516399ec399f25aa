package events

// ReturnPromised tells that somebody was promised another visit.
type ReturnPromised struct {
	Why    Text   `f:"why"`
	ByWhen When   `f:"by_when"`
	Parts  []Code `f:"parts"` // that are to be brought
}

var _ = define[ReturnPromised]("return.promised", 1, anyone)

func (*ReturnPromised) Kind() Kind { return "return.promised" }
