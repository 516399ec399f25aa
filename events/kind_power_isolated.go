package events

// PowerIsolated tells that a machine was cut from its power before work on it.
type PowerIsolated struct {
	Point      string `f:"point"` // where: a plug, a switch, a breaker
	Lock       string `f:"lock"`
	TestedDead *bool  `f:"tested_dead"`
}

var _ = define[PowerIsolated]("power.isolated", 1, anyone)

func (*PowerIsolated) Kind() Kind { return "power.isolated" }
