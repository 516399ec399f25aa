package events

// RoundAssigned gives a device or a person the sites of a day, in order.
type RoundAssigned struct {
	Device DeviceID  `f:"device"`
	Staff  StaffCode `f:"staff"`
	Day    When      `f:"day,need"`
	Sites  []SiteID  `f:"sites"`
}

var _ = define[RoundAssigned]("round.assigned", 1, officeOnly)

func (*RoundAssigned) Kind() Kind { return "round.assigned" }

func (b *RoundAssigned) check() error {
	return needOne(b.Device != "" || b.Staff != "", "device", "staff")
}
