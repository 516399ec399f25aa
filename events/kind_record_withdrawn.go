package events

// RecordWithdrawn tells that a record should not have been written. Withdrawing a correction restores what it was over.
type RecordWithdrawn struct {
	Target Target `f:"target,need"`
	Why    Text   `f:"why,need"`
	Over   []Hash `f:"over" is:"hash"` // the newest corrections of the target that the writer held
}

var _ = define[RecordWithdrawn]("record.withdrawn", 1, anyone)

func (*RecordWithdrawn) Kind() Kind { return "record.withdrawn" }
