package events

// TaskDone tells that a task of the machine's class was done, or why it was skipped.
type TaskDone struct {
	Task    Code  `f:"task,need"`
	Started When  `f:"started"`
	Ended   When  `f:"ended"`
	Skipped *bool `f:"skipped"`
	Why     Text  `f:"why"`
}

var _ = define[TaskDone]("task.done", 1, anyone)

func (*TaskDone) Kind() Kind { return "task.done" }

func (b *TaskDone) check() error {
	if b.Skipped != nil && *b.Skipped {
		switch {
		case b.Why.IsZero():
			return &FieldError{"why", "", "say why it was skipped"}
		case b.Started != "":
			return &FieldError{"started", string(b.Started), "a task that was skipped was not started"}
		case b.Ended != "":
			return &FieldError{"ended", string(b.Ended), "a task that was skipped was not ended"}
		}
	}
	return checkOrder(b.Started, "ended", b.Ended)
}
