package events

// PartChecked tells in what state the part in a position was found.
type PartChecked struct {
	Position Code `f:"position,need"`
	State    Word `f:"state,need" in:"good,worn,bad"`
	Text     Text `f:"text"`
}

var _ = define[PartChecked]("part.checked", 1, anyone)

func (*PartChecked) Kind() Kind { return "part.checked" }
