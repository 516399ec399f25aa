package events

// LookNoted tells what eyes, nose and fingers say: none to much, or a picture of it.
type LookNoted struct {
	What     Word   `f:"what,need" in:"foam,smell,colour,clarity,film,growth,rust"`
	Grade    *int64 `f:"grade" lo:"0" hi:"3"`
	Of       string `f:"of"` // as a reading's
	Evidence Digest `f:"evidence"`
}

var _ = define[LookNoted]("look.noted", 1, anyone)

func (*LookNoted) Kind() Kind { return "look.noted" }

func (b *LookNoted) check() error {
	return first(needOne(b.Grade != nil || !b.Evidence.IsZero(), "grade", "evidence"), checkOf(b.Of))
}
