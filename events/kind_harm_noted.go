package events

// HarmNoted tells that somebody was hurt, or nearly.
type HarmNoted struct {
	What     Word   `f:"what,need" in:"splash,slip,cut,lift,fume,near-miss"`
	FirstAid *bool  `f:"first_aid"` // whether it was given
	Evidence Digest `f:"evidence"`
}

var _ = define[HarmNoted]("harm.noted", 1, anyone)

func (*HarmNoted) Kind() Kind { return "harm.noted" }
