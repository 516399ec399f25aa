package events

// FluidReturned tells of fluid that went back into a machine after it was taken out, filtered or not.
type FluidReturned struct {
	From       Code     `f:"from,need"` // a vessel's code
	To         Code     `f:"to,need"`
	Volume     float64  `f:"volume,need" lo:"0"`
	Unit       string   `f:"unit"` // of Volume and U; left out: L
	U          *float64 `f:"u" lo:"0"`
	MeshUm     *float64 `f:"mesh_um" lo:"0" hi:"100000"` // of the filter it went through
	Method     Word     `f:"method" in:"mark,meter,scale,eye"`
	Instrument Code     `f:"instrument"`
}

var _ = define[FluidReturned]("fluid.returned", 1, anyone)

func (*FluidReturned) Kind() Kind { return "fluid.returned" }

func (b *FluidReturned) check() error { return checkFlow(b.From, b.To, b.Unit) }
