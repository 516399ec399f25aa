package events

// ErasureDone tells that pieces of evidence were erased, and on what ground.
type ErasureDone struct {
	Evidence []Digest `f:"evidence,need"`
	Ground   Text     `f:"ground,need"`
}

var _ = define[ErasureDone]("erasure.done", 1, officeOnly)

func (*ErasureDone) Kind() Kind { return "erasure.done" }
