package events

// StaffSignedOn tells that the person named by the envelope took over the device.
type StaffSignedOn struct {
	How Word `f:"how" in:"pin,badge,none"`
}

var _ = define[StaffSignedOn]("staff.signed-on", 1, anyone)

func (*StaffSignedOn) Kind() Kind { return "staff.signed-on" }
