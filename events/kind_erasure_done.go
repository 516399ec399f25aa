package events

// ErasureDone tells that pieces of evidence were erased, and on what ground. The office's orders it, a device's says
// that it has been done there too.
type ErasureDone struct {
	Evidence []Digest `f:"evidence,need"`
	Ground   Text     `f:"ground,need"`
}

var _ = define[ErasureDone]("erasure.done", 1, anyone)

func (*ErasureDone) Kind() Kind { return "erasure.done" }
