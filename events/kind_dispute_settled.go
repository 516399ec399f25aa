package events

// DisputeSettled tells how a dispute ended.
type DisputeSettled struct {
	Dispute Target    `f:"dispute"` // the record that opened it
	Visit   RecordID  `f:"visit"`
	Machine MachineID `f:"machine"`
	Outcome Text      `f:"outcome,need"`
}

var _ = define[DisputeSettled]("dispute.settled", 1, officeOnly)

func (*DisputeSettled) Kind() Kind { return "dispute.settled" }
