package events

// RoundChanged puts new sites in place of those of a day; without sites there are none.
type RoundChanged struct {
	Device DeviceID  `f:"device"`
	Staff  StaffCode `f:"staff"`
	Day    When      `f:"day,need"`
	Sites  []SiteID  `f:"sites"`
	Why    Word      `f:"why" in:"weather,vehicle,sick,customer,…"`
}

var _ = define[RoundChanged]("round.changed", 1, officeOnly)

func (*RoundChanged) Kind() Kind { return "round.changed" }

func (b *RoundChanged) check() error {
	return needOne(b.Device != "" || b.Staff != "", "device", "staff")
}
