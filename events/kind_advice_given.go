package events

// AdviceGiven tells what a customer was advised to have, and what they said.
type AdviceGiven struct {
	Item   Code `f:"item,need"`
	Why    Text `f:"why"`
	Answer Word `f:"answer" in:"taken,declined,later"`
}

var _ = define[AdviceGiven]("advice.given", 1, anyone)

func (*AdviceGiven) Kind() Kind { return "advice.given" }
