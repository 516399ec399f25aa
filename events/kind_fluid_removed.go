package events

// FluidRemoved tells of fluid, sludge or oil that was taken out of a machine.
type FluidRemoved struct {
	From       Code     `f:"from,need"` // bath, a tank, a vessel's code
	To         Code     `f:"to,need"`   // a vessel's code, stock, drain, floor
	What       Word     `f:"what,need" in:"bath,sludge,oil,rinse"`
	Volume     float64  `f:"volume,need" lo:"0"`
	Unit       string   `f:"unit"` // of Volume and U; left out: L
	U          *float64 `f:"u" lo:"0"`
	Kg         *float64 `f:"kg" lo:"0"` // where it was weighed
	Paper      string   `f:"paper"`     // a permit, where it goes to a drain
	Method     Word     `f:"method" in:"mark,meter,scale,eye"`
	Instrument Code     `f:"instrument"`
}

var _ = define[FluidRemoved]("fluid.removed", 1, anyone)

func (*FluidRemoved) Kind() Kind { return "fluid.removed" }

func (b *FluidRemoved) check() error { return checkFlow(b.From, b.To, b.Unit) }
