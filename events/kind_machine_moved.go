package events

import "strconv"

// MachineMoved tells that a machine stands at another site from now on.
type MachineMoved struct {
	From SiteID `f:"from"`
	To   SiteID `f:"to,need"`
	Bath Word   `f:"bath" in:"emptied,moved-with"`
	Why  Text   `f:"why"`
}

var _ = define[MachineMoved]("machine.moved", 1, officeOnly)

func (*MachineMoved) Kind() Kind { return "machine.moved" }

func (b *MachineMoved) check() error {
	if b.From == b.To {
		return &FieldError{"to", strconv.Quote(string(b.To)), "the machine is moved to another site than it comes from"}
	}
	return nil
}
