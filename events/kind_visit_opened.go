package events

// VisitOpened begins a visit: one call at one site.
type VisitOpened struct {
	Reason  Word   `f:"reason" in:"planned,called,return,delivery"`
	Answers Target `f:"answers"` // the request.noted or return.promised that this visit answers
}

var _ = define[VisitOpened]("visit.opened", 1, anyone)

func (*VisitOpened) Kind() Kind { return "visit.opened" }
