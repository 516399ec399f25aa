package events

// FluidSpilled tells of fluid that was lost. It counts whole; what was recovered of it is information.
type FluidSpilled struct {
	From       Code     `f:"from,need"`
	Volume     float64  `f:"volume,need" lo:"0"`
	Unit       string   `f:"unit"` // of Volume and U; left out: L
	U          *float64 `f:"u" lo:"0"`
	Reached    Word     `f:"reached" in:"floor,drain,soil,bund"`
	RecoveredL *float64 `f:"recovered_l" lo:"0"`
	Method     Word     `f:"method" in:"mark,meter,scale,eye"`
	Instrument Code     `f:"instrument"`
}

var _ = define[FluidSpilled]("fluid.spilled", 1, anyone)

func (*FluidSpilled) Kind() Kind { return "fluid.spilled" }

func (b *FluidSpilled) check() error { return checkVolume(b.Unit) }
