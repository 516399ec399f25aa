package events

// RangeLost names records of a device that nobody holds any more.
type RangeLost struct {
	Device DeviceID `f:"device,need"`
	From   Seq      `f:"from,need"`
	To     Seq      `f:"to,need"` // the last of them
	By     Code     `f:"by"`      // who found it
}

var _ = define[RangeLost]("range.lost", 1, officeOnly)

func (*RangeLost) Kind() Kind { return "range.lost" }

func (b *RangeLost) check() error { return checkRange(b.From, b.To) }
