package events

// WorkEnded ends the work on one machine and says what came of it.
type WorkEnded struct {
	Outcome Word `f:"outcome,need" in:"complete,partial,refused,no-access,unsafe,not-found,machine-off,called-away"`
	Text    Text `f:"text"`
}

var _ = define[WorkEnded]("work.ended", 1, anyone)

func (*WorkEnded) Kind() Kind { return "work.ended" }
