package events

// WorkStarted begins the work on one machine and says how the machine was told from others.
type WorkStarted struct {
	FoundBy Word `f:"found_by" in:"scan,plate,list"`
}

var _ = define[WorkStarted]("work.started", 1, anyone)

func (*WorkStarted) Kind() Kind { return "work.started" }
