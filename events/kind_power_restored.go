package events

// PowerRestored tells that a machine has its power again.
type PowerRestored struct {
	Point      string `f:"point"`
	Lock       string `f:"lock"`
	TestedDead *bool  `f:"tested_dead"`
}

var _ = define[PowerRestored]("power.restored", 1, anyone)

func (*PowerRestored) Kind() Kind { return "power.restored" }
