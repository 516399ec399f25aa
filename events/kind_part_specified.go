package events

import "ullage/events/unit"

// PartSpecified says how long a part lasts and how much of it is carried.
type PartSpecified struct {
	Part   Code     `f:"part,need"`
	Life   *float64 `f:"life" lo:"0"`
	Unit   string   `f:"unit"`                     // of Life: of time, or 1 for uses; left out: h
	HoldsL *float64 `f:"holds_l" lo:"0" hi:"1000"` // what it takes away with it when wet
	Kit    *Kit     `f:"kit"`
}

// Kit is the rule by which something is carried.
type Kit struct {
	Rule     Word     `f:"rule,need" in:"due,visit,always,never"` // where one falls due; for each visit; at all times; not at all
	Quantity *float64 `f:"quantity" lo:"0"`                       // left out: 1
}

var _ = define[PartSpecified]("part.specified", 1, officeOnly)

func (*PartSpecified) Kind() Kind { return "part.specified" }

func (b *PartSpecified) check() error { return checkUnit(b.Unit, unit.Time, unit.Fraction) }
