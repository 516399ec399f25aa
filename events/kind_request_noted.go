package events

// RequestNoted tells what somebody at the site asked for.
type RequestNoted struct {
	What       Text   `f:"what,need"`
	Role       string `f:"role"`        // of who asked
	PromisedBy When   `f:"promised_by"` // the time by which it was promised
}

var _ = define[RequestNoted]("request.noted", 1, anyone)

func (*RequestNoted) Kind() Kind { return "request.noted" }
