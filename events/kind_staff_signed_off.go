package events

// StaffSignedOff tells that the person named by the envelope gave the device back.
type StaffSignedOff struct {
	How Word `f:"how" in:"pin,badge,none"`
}

var _ = define[StaffSignedOff]("staff.signed-off", 1, anyone)

func (*StaffSignedOff) Kind() Kind { return "staff.signed-off" }
