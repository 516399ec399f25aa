package events

// DisputeAnswered tells what the customer was shown.
type DisputeAnswered struct {
	Dispute Target    `f:"dispute"` // the record that opened it
	Visit   RecordID  `f:"visit"`
	Machine MachineID `f:"machine"`
	Dossier Hash      `f:"dossier" is:"hash"` // SHA-256 of the file
}

var _ = define[DisputeAnswered]("dispute.answered", 1, officeOnly)

func (*DisputeAnswered) Kind() Kind { return "dispute.answered" }
