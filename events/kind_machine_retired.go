package events

// MachineRetired takes a machine off the register.
type MachineRetired struct {
	From SiteID `f:"from"`
	To   SiteID `f:"to"`
	Bath Word   `f:"bath" in:"emptied,moved-with"`
	Why  Text   `f:"why"`
}

var _ = define[MachineRetired]("machine.retired", 1, officeOnly)

func (*MachineRetired) Kind() Kind { return "machine.retired" }
