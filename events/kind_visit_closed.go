package events

// VisitClosed ends a visit and says what came of it.
type VisitClosed struct {
	Outcome   Word     `f:"outcome,need" in:"complete,partial,refused,no-access,unsafe,not-found,machine-off,called-away"`
	WaitedMin *float64 `f:"waited_min" lo:"0"`
	Text      Text     `f:"text"`
}

var _ = define[VisitClosed]("visit.closed", 1, anyone)

func (*VisitClosed) Kind() Kind { return "visit.closed" }
