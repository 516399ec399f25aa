package events

// BillSent tells that a visit was billed, and on which records the lines rest.
type BillSent struct {
	Visit     RecordID   `f:"visit"` // left out: the envelope's
	Lines     *BillLines `f:"lines"`
	Reference string     `f:"reference"`
	By        Word       `f:"by" in:"office,integrator"`
}

// BillLines stands for the lines of a bill.
type BillLines struct {
	Digest  Hash     `f:"digest" is:"hash"` // of the lines as they were sent
	Records []Target `f:"records"`          // that they rest on
}

var _ = define[BillSent]("bill.sent", 1, officeOnly)

func (*BillSent) Kind() Kind { return "bill.sent" }
