package events

// MachineFound tells of a machine that is not on the register; the office confirms it or merges it with another.
type MachineFound struct {
	Plate    string `f:"plate"`
	Evidence Digest `f:"evidence"`
}

var _ = define[MachineFound]("machine.found", 1, anyone)

func (*MachineFound) Kind() Kind { return "machine.found" }

func (b *MachineFound) check() error {
	return needOne(b.Plate != "" || !b.Evidence.IsZero(), "plate", "evidence")
}
