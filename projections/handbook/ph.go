package handbook

import (
	"fmt"
	"math"
)

// Constants of nature, CODATA 2018.
const (
	gasConstant = 8.314462618 // J/(mol K)
	faraday     = 96485.33212 // C/mol
)

// NernstSlope is what an ideal pH electrode shows, in mV for each pH, at a temperature in degrees Celsius: ln(10)*R*T/F.
// Range: 0 to 100 degrees. Error: wraps ErrRange.
//
// Source: W. Nernst; constants of CODATA 2018.
func NernstSlope(cel float64) (float64, error) {
	if !(cel >= 0 && cel <= 100) {
		return 0, fmt.Errorf("%w: %g degrees Celsius; the slope is taken from 0 to 100", ErrRange, cel)
	}
	return 1000 * math.Ln10 * gasConstant * (cel + zeroCelsius) / faraday, nil
}

// BufferValue is how much strong base, in mol/L for each pH, a solution with one weak acid takes up: its buffer value, of an
// acid of a concentration in mol/L and a pKa, at a pH, in water of pKw 14 (25 degrees).
//
//	ln(10) * (C*Ka*h/(Ka+h)^2 + h + Kw/h),  h = 10^-pH
//
// Range: 0 to 10 mol/L; pKa and pH 0 to 14. Error: wraps ErrRange.
//
// Source: D. D. Van Slyke, J. Biol. Chem. 52 (1922) 525.
func BufferValue(concentration, pka, ph float64) (float64, error) {
	switch {
	case !(concentration >= 0 && concentration <= 10):
		return 0, fmt.Errorf("%w: %g mol/L; it is 0 to 10", ErrRange, concentration)
	case !(pka >= 0 && pka <= 14):
		return 0, fmt.Errorf("%w: a pKa of %g; it is 0 to 14", ErrRange, pka)
	case !(ph >= 0 && ph <= 14):
		return 0, fmt.Errorf("%w: a pH of %g; it is 0 to 14", ErrRange, ph)
	}
	ka, h := math.Pow(10, -pka), math.Pow(10, -ph)
	return math.Ln10 * (float64(concentration*ka*h/float64((ka+h)*(ka+h))) + h + 1e-14/h), nil
}

// Buffer is a reference buffer by its recipe. Scales differ by up to 0.02 pH, so the recipe is kept with a calibration, not
// its nominal pH alone.
type Buffer string

// The buffers.
const (
	Oxalate   Buffer = "oxalate"
	Phthalate Buffer = "phthalate" // potassium hydrogen phthalate, 0.05 molal
	Phosphate Buffer = "phosphate"
	Borate    Buffer = "borate"
	Carbonate Buffer = "carbonate"
)

// bufferTable is the pH at 20, 25, 30 and 40 degrees; 0 where none is given.
var bufferTable = map[Buffer][4]float64{
	Oxalate:   {1.68, 1.68, 1.69, 1.70},
	Phosphate: {6.88, 6.86, 6.85, 6.84},
	Borate:    {9.22, 9.18, 9.14, 9.07},
	Carbonate: {10.07, 10.02, 9.97, 0},
}

// BufferPH is the pH of a reference buffer at a temperature in degrees Celsius. Phthalate goes by the formula
//
//	2073.44/T - 13.3270 + 0.045199*T - 3.4846e-5*T^2,  T in K
//
// from 0 to 60 degrees; the others linearly between the rows of a table from 20 to 40, carbonate to 30. Error: wraps
// ErrRange.
//
// Source: phthalate: J. Res. NBS 81A (1977) 21; the table: JIS Z 8802.
func BufferPH(b Buffer, cel float64) (float64, error) {
	if b == Phthalate {
		if !(cel >= 0 && cel <= 60) {
			return 0, fmt.Errorf("%w: %g degrees Celsius; phthalate is given from 0 to 60", ErrRange, cel)
		}
		t := cel + zeroCelsius
		return 2073.44/t - 13.3270 + float64(0.045199*t) - float64(3.4846e-5*float64(t*t)), nil
	}
	row, ok := bufferTable[b]
	if !ok {
		return 0, fmt.Errorf("%w: no buffer %q; there are phthalate, phosphate, borate, oxalate and carbonate", ErrRange, b)
	}
	at := [4]float64{20, 25, 30, 40}
	last := 3
	if row[3] == 0 {
		last = 2
	}
	if !(cel >= at[0] && cel <= at[last]) {
		return 0, fmt.Errorf("%w: %g degrees Celsius; %s is given from 20 to %g", ErrRange, cel, b, at[last])
	}
	i := 1
	for at[i] < cel {
		i++
	}
	return row[i-1] + float64((row[i]-row[i-1])*(cel-at[i-1])/(at[i]-at[i-1])), nil
}

// Dose is an estimate from a trial. All in the unit of the trial.
type Dose struct {
	Resolved bool    // the reading can tell the change at all; else nothing is estimated
	Estimate float64 // what the rest of the way would take if the bath went on answering as it did; 0 where it is not resolved
	Offer    float64 // what to add next, before reading again: at most half of it; never on, where the target is reached
}

// DoseByResponse estimates the dose that brings a bath to a target pH, from how far a trial dose moved it.
//
//	estimate = trial * (target - after) / (after - before)
//
// A bath's answer changes as its pH does: so half of it is offered, and it is read again. A change of less than twice the
// standard uncertainty u of one reading is not resolved. Where the trial moved the bath past the target, or away from it,
// nothing is offered. Range: a trial above 0; pH 0 to 14; u above 0. Error: wraps ErrRange.
//
// Source: the secant rule; that half is offered is common practice, no source.
func DoseByResponse(trial, before, after, target, u float64) (Dose, error) {
	if !(trial > 0) || math.IsInf(trial, 0) {
		return Dose{}, fmt.Errorf("%w: a trial of %g; it is above 0", ErrRange, trial)
	}
	for _, p := range []float64{before, after, target} {
		if !(p >= 0 && p <= 14) {
			return Dose{}, fmt.Errorf("%w: a pH of %g; it is 0 to 14", ErrRange, p)
		}
	}
	if !(u > 0 && u <= 7) {
		return Dose{}, fmt.Errorf("%w: an uncertainty of %g; it is above 0 and below 7", ErrRange, u)
	}
	change := after - before
	if math.Abs(change) < 2*u {
		return Dose{}, nil
	}
	d := Dose{Resolved: true, Estimate: trial * (target - after) / change}
	d.Offer = max(d.Estimate/2, 0)
	return d, nil
}
