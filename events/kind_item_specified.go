package events

// ItemSpecified says in what an item is counted, how long it lasts and how much of it is carried.
type ItemSpecified struct {
	Item   Code     `f:"item,need"`
	Life   *float64 `f:"life" lo:"0"` // days that it may lie
	Unit   string   `f:"unit"`        // of its quantities; left out: 1
	HoldsL *float64 `f:"holds_l" lo:"0" hi:"1000"`
	MassKg *float64 `f:"mass_kg" lo:"0" hi:"10000"` // of one
	Kit    *Kit     `f:"kit"`
}

var _ = define[ItemSpecified]("item.specified", 1, officeOnly)

func (*ItemSpecified) Kind() Kind { return "item.specified" }

func (b *ItemSpecified) check() error { return checkUnit(b.Unit) }
