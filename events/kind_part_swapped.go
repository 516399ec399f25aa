package events

// PartSwapped tells that a part was taken out of a position of a machine, put in, or both.
type PartSwapped struct {
	Position Code     `f:"position,need"`
	Out      *PartOut `f:"out"`
	In       *PartIn  `f:"in"`
	Why      Word     `f:"why" in:"due,worn,broken,wrong,upgrade"`
}

// PartOut is a part that was taken out, as far as it can be read.
type PartOut struct {
	Part   Code   `f:"part"`
	Serial string `f:"serial"`
	State  Word   `f:"state" in:"good,worn,bad,…"`
}

// PartIn is a part that was put in.
type PartIn struct {
	Part   Code   `f:"part,need"`
	Serial string `f:"serial"`
	Lot    string `f:"lot"`
}

var _ = define[PartSwapped]("part.swapped", 1, anyone)

func (*PartSwapped) Kind() Kind { return "part.swapped" }

func (b *PartSwapped) check() error { return needOne(b.Out != nil || b.In != nil, "in", "out") }
