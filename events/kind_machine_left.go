package events

// MachineLeft tells how a machine stood when the technician went.
type MachineLeft struct {
	Power    Word     `f:"power" in:"on,off,open,closed"`
	Heater   Word     `f:"heater" in:"on,off,open,closed"`
	Air      Word     `f:"air" in:"on,off,open,closed"`
	Pump     Word     `f:"pump" in:"on,off,open,closed"`
	Lid      Word     `f:"lid" in:"on,off,open,closed"`
	SetCel   *float64 `f:"set_cel" lo:"-50" hi:"150"`
	LeakSeen *bool    `f:"leak_seen"`
}

var _ = define[MachineLeft]("machine.left", 1, anyone)

func (*MachineLeft) Kind() Kind { return "machine.left" }
