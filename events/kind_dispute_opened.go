package events

// DisputeOpened tells that a customer does not agree.
type DisputeOpened struct {
	Visit   RecordID  `f:"visit"` // left out, as the machine: the envelope's
	Machine MachineID `f:"machine"`
	Claim   Digest    `f:"claim,need"`
}

var _ = define[DisputeOpened]("dispute.opened", 1, officeOnly)

func (*DisputeOpened) Kind() Kind { return "dispute.opened" }
