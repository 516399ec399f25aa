package events

// FluidAdded tells of fluid that is new to the machine.
type FluidAdded struct {
	From       Code     `f:"from,need"` // van, site-stock, tap, demineralised, a vessel's code
	To         Code     `f:"to,need"`
	Product    Code     `f:"product"` // water is built in
	Lot        string   `f:"lot"`
	Strength   *float64 `f:"strength" lo:"0" hi:"100"` // per cent of concentrate
	Volume     float64  `f:"volume,need" lo:"0"`
	Unit       string   `f:"unit"` // of Volume and U; left out: L
	U          *float64 `f:"u" lo:"0"`
	Method     Word     `f:"method" in:"mark,meter,scale,eye"`
	Instrument Code     `f:"instrument"`
}

var _ = define[FluidAdded]("fluid.added", 1, anyone)

func (*FluidAdded) Kind() Kind { return "fluid.added" }

func (b *FluidAdded) check() error { return checkFlow(b.From, b.To, b.Unit) }
