package ledger

import (
	"strconv"

	"ullage/projections"
)

// Words is a span's result as one sentence that can stand alone. Amounts are intervals of two standard uncertainties to
// either side, rounded outwards; a gain is called a gain. Only the sentence of a span with grade Say may stand on what
// a customer gets.
func Words(s Span) string {
	if s.Grade == CannotTell {
		return whyNot(s)
	}
	x := s.Unexplained
	if !s.CountsTold {
		x = s.WithoutTold
	}
	measured := "measured"
	if len(s.Accounts) > 0 {
		if measured = "measured and told"; !s.CountsTold {
			measured = "measured, what was told left aside"
		}
	}
	switch {
	case s.Grade == Say && s.Because == ByRunning && s.RunningL != nil:
		return "since " + s.RunningFrom.String()[:len("2006-01-02")] + ", " + unexplained(s.RunningL, measured)
	case s.Grade == Say:
		return unexplained(x, measured)
	case s.Grade == Look:
		return unexplained(x, measured) + "; measure again"
	}
	return nothing(x, measured)
}

func wordsOfRunning(r Running) string {
	switch {
	case r.From == nil:
		return "cannot tell: there are no two known volumes yet"
	case r.To == nil:
		return "cannot tell: no volume has been measured since the bath was renewed"
	case r.Grade == CannotTell:
		return "cannot tell: a flow was entered for after the reading at which the balance begins or ends"
	}
	// The smaller grade counts, and so does the balance that has it.
	x, measured := r.Unexplained, "measured"
	if r.Told != (projections.Measured{}) {
		measured = "measured and told"
		if own := judgedAs(r.WithoutTold); own == r.Grade && judgedAs(r.Unexplained) != own {
			x, measured = r.WithoutTold, "measured, what was told left aside"
		}
	}
	if r.Grade == None {
		return nothing(x, measured)
	}
	return "since " + r.From.String()[:len("2006-01-02")] + ", " + unexplained(x, measured)
}

// judgedAs is the grade of a result.
func judgedAs(x *projections.Measured) Grade {
	a := account{l: float64(x.Value), square: float64(x.U) * float64(x.U)}
	return judge(&a, measured{}).grade
}

func whyNot(s Span) string {
	const cannot = "cannot tell: "
	switch s.Because {
	case ByLateFlow:
		return cannot + "fluid was moved after the last reading of the visit; read the volume after the last flow"
	case ByOpenEnd:
		return cannot + "no volume has been measured since"
	case ByToldWithoutAmount:
		return cannot + "somebody at the site told of fluid, but not of how much"
	case ByFlowWithoutAmount:
		return cannot + "a flow has no amount that can be counted"
	}
	return cannot + "the loss to be expected is too uncertain"
}

// unexplained is the sentence of an amount that lies beyond what measuring explains.
func unexplained(m *projections.Measured, measured string) string {
	x, u := microOf(float64(m.Value)), microOf(float64(m.U))
	if x > 0 {
		return interval(x, u) + " are not explained by what was " + measured
	}
	return "a gain of " + interval(-x, u) + " is not explained by what was " + measured
}

// nothing is the sentence of an amount that lies within what measuring explains.
func nothing(m *projections.Measured, measured string) string {
	x, u := microOf(float64(m.Value)), microOf(float64(m.U))
	if x.abs() <= 2*u {
		return "what is not explained by what was " + measured + " cannot be told from zero"
	}
	return "what is not explained by what was " + measured + " is less than a litre"
}

// interval is x with twice its uncertainty to either side, in whole litres where it is wide enough, else in tenths.
func interval(x, u micro) string {
	low, high := x-2*u, x+2*u
	step := litre
	if low < litre || high-low < 2*litre {
		step = litre / 10
	}
	low -= low % step
	if rest := high % step; rest > 0 {
		high += step - rest
	}
	if low <= 0 {
		return "up to " + litres(high) + " litres"
	}
	return "between " + litres(low) + " and " + litres(high) + " litres"
}

// litres writes a multiple of a tenth.
func litres(m micro) string { return strconv.FormatFloat(float64(m)/float64(litre), 'f', -1, 64) }
