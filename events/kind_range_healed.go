package events

// RangeHealed names records of a device that the centre had lost and holds again.
type RangeHealed struct {
	Device DeviceID `f:"device,need"`
	From   Seq      `f:"from,need"`
	To     Seq      `f:"to,need"` // the last of them
	By     Code     `f:"by"`      // who healed it
	Source Word     `f:"source" in:"read-model,device,backup,…"`
}

var _ = define[RangeHealed]("range.healed", 1, officeOnly)

func (*RangeHealed) Kind() Kind { return "range.healed" }

func (b *RangeHealed) check() error { return checkRange(b.From, b.To) }
