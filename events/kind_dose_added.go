package events

import "ullage/events/unit"

// DoseAdded tells of a product that was given to correct a bath. With a volume it counts as added; with a mass only
// through the product's density.
type DoseAdded struct {
	Product    Code     `f:"product,need"`
	To         Code     `f:"to"` // left out: bath
	Volume     *float64 `f:"volume" lo:"0"`
	Mass       *float64 `f:"mass" lo:"0"`
	Unit       string   `f:"unit"` // of Volume (left out: L) and U, or where there is none, of Mass (left out: kg) and U
	U          *float64 `f:"u" lo:"0"`
	Method     Word     `f:"method" in:"mark,meter,scale,eye"`
	Instrument Code     `f:"instrument"`
	Aim        Word     `f:"aim" in:"ph,strength,foam,activity"`
	WaitedMin  *float64 `f:"waited_min" lo:"0"`
}

var _ = define[DoseAdded]("dose.added", 1, anyone)

func (*DoseAdded) Kind() Kind { return "dose.added" }

func (b *DoseAdded) check() error {
	if b.Volume == nil && b.Mass != nil {
		return checkUnit(b.Unit, unit.Mass)
	}
	return first(needOne(b.Volume != nil, "volume", "mass"), checkVolume(b.Unit))
}
