package handbook

import (
	"fmt"
	"math"
)

// Compressed air is reckoned in the units of the tools' plates: free air in cubic feet a minute at 14.7 psi absolute and 68
// degrees Fahrenheit (20 Cel), pressures in psi above the atmosphere.
const atmosphere = 14.7 // psi

// FreeToActual is how many cubic feet a minute pass a point where free air of flow stands under pressure at a temperature.
//
//	flow * 14.7/(pressure + 14.7) * T/Tref
//
// Temperatures in degrees Celsius, -40 to 200; flow from 0; pressure 0 to 1000 psi. Error: wraps ErrRange.
//
// Source: the law of ideal gases.
func FreeToActual(flow, pressure, cel, reference float64) (float64, error) {
	if err := checkAir(flow, pressure); err != nil {
		return 0, err
	}
	for _, t := range []float64{cel, reference} {
		if !(t >= -40 && t <= 200) {
			return 0, fmt.Errorf("%w: air of %g degrees Celsius; it is taken from -40 to 200", ErrRange, t)
		}
	}
	return flow * atmosphere / (pressure + atmosphere) * (cel + zeroCelsius) / (reference + zeroCelsius), nil
}

func checkAir(flow, pressure float64) error {
	if !(flow >= 0 && flow <= 1e5) {
		return fmt.Errorf("%w: a flow of %g cubic feet a minute; it is 0 to 100000", ErrRange, flow)
	}
	if !(pressure >= 0 && pressure <= 1000) {
		return fmt.Errorf("%w: a pressure of %g psi; it is 0 to 1000", ErrRange, pressure)
	}
	return nil
}

// Hose is a smooth hose.
type Hose struct {
	Bore   float64 // inside diameter, inches
	Length float64 // feet
}

// Drop is what a hose takes from the pressure by three published formulas, in psi, and what it leaves.
type Drop struct {
	A, B, C           float64
	LeftLow, LeftHigh float64
	InRange           bool // all within a tenth of the absolute pressure; beyond it the formulas are not meant
}

// HoseDrop is the pressure that a hose takes, by free air of flow that enters it under pressure.
//
//	A  7.57e4 * q^1.85 * L / (d^5 * p)           kgf/cm2; m3/min, m, mm, kgf/cm2 absolute
//	B  1.6e12 * q^1.85 * L / (d^5 * p)           kPa; m3/s, m, mm, kPa absolute
//	C  p1 - sqrt(p1^2 - L*q^2/(34.5^2 * d^5.31)) psi; scfm, ft, in, psi absolute
//
// They differ by 10 to 40 %, and a measured diagram lay below all: so no one of them is the answer, and couplings are
// not in it. Range: a bore of 0.1 to 10 inches, a length of 0.1 to 10,000 feet. The error wraps ErrRange, also where the hose
// would take all there is.
//
// Source: A and B: handbook forms of the rule with the exponent 1.85; C: E. G. Harris, Compressed Air (1910).
func HoseDrop(h Hose, flow, pressure float64) (Drop, error) {
	if err := checkAir(flow, pressure); err != nil {
		return Drop{}, err
	}
	if !(h.Bore >= 0.1 && h.Bore <= 10) || !(h.Length >= 0.1 && h.Length <= 1e4) {
		return Drop{}, fmt.Errorf("%w: a hose of %g inches and %g feet; the formulas take 0.1 to 10 inches and 0.1 to 10000 feet", ErrRange, h.Bore, h.Length)
	}
	const (
		cubicFoot = 0.028316846592 // m3
		foot      = 0.3048         // m
		kilopound = 14.223343      // psi in a kgf/cm2
		kilo      = 6.894757293168 // kPa in a psi
	)
	p := pressure + atmosphere
	q, length, d5 := flow*cubicFoot, h.Length*foot, math.Pow(h.Bore*25.4, 5)
	d := Drop{
		A: 7.57e4 * math.Pow(q, 1.85) * length / (d5 * p / kilopound) * kilopound,
		B: 1.6e12 * math.Pow(q/60, 1.85) * length / (d5 * p * kilo) / kilo,
	}
	rest := float64(p*p) - h.Length*flow*flow/(34.5*34.5*math.Pow(h.Bore, 5.31))
	if rest <= float64(atmosphere*atmosphere) || max(d.A, d.B) >= pressure && flow > 0 {
		return Drop{}, fmt.Errorf("%w: %g cubic feet a minute do not come through %g feet of %g inches with %g psi", ErrRange, flow, h.Length, h.Bore, pressure)
	}
	d.C = p - math.Sqrt(rest)
	worst, least := max(d.A, d.B, d.C), min(d.A, d.B, d.C)
	d.LeftLow, d.LeftHigh = pressure-worst, pressure-least
	d.InRange = worst <= p/10
	return d, nil
}

// AirHold is how many minutes a receiver of gallons (US) holds from one pressure down to another while demand goes out and
// supply comes in; without end where the supply covers the demand.
//
//	minutes = V * (from - to) / (14.7 * (demand - supply)),  V in cubic feet
//
// Range: 1 to 100,000 gallons; from above to. Error: wraps ErrRange.
//
// Source: the law of ideal gases at one temperature; Compressed Air and Gas Institute, Compressed Air and Gas Handbook.
func AirHold(gallons, from, to, demand, supply float64) (minutes float64, err error) {
	if err := checkAir(demand, from); err != nil {
		return 0, err
	}
	if err := checkAir(supply, to); err != nil {
		return 0, err
	}
	switch {
	case !(gallons >= 1 && gallons <= 1e5):
		return 0, fmt.Errorf("%w: a receiver of %g gallons; it is 1 to 100000", ErrRange, gallons)
	case !(from > to):
		return 0, fmt.Errorf("%w: from %g to %g psi; a receiver empties from the higher to the lower", ErrRange, from, to)
	}
	if supply >= demand {
		return math.Inf(1), nil
	}
	const gallonsACubicFoot = 1728.0 / 231
	return gallons / gallonsACubicFoot * (from - to) / (atmosphere * (demand - supply)), nil
}

// Answer is one that may not be known.
type Answer string

// The answers.
const (
	Yes    Answer = "yes"
	No     Answer = "no"
	Unsure Answer = "unsure"
)

// AirNeed is what a tool wants, and what there is for it.
type AirNeed struct {
	Supply       float64 // free air that the compressor delivers, cubic feet a minute
	Regulator    float64 // set to, psi
	NeedPressure float64 // at the tool while it runs, psi
	NeedFlow     float64 // free air, cubic feet a minute
	Hose         Hose
	ExtraDrop    float64 // of couplings and swivels, psi, as measured; below 0: not known
}

// AirCheck tells whether a tool gets its air, and why. Where what couplings take is not known, it counts as nothing at best
// and as much as the hose itself at worst, which is a guess. Errors: those of HoseDrop.
//
// Source: both rules are common practice; see HoseDrop.
func AirCheck(n AirNeed) (Answer, string, error) {
	if err := checkAir(n.Supply, n.Regulator); err != nil {
		return "", "", err
	}
	if err := checkAir(n.NeedFlow, n.NeedPressure); err != nil {
		return "", "", err
	}
	if n.Supply < n.NeedFlow {
		return No, fmt.Sprintf("the compressor delivers %.3g cubic feet a minute of free air, and the tool wants %.3g", n.Supply, n.NeedFlow), nil
	}
	if n.Regulator < n.NeedPressure {
		return No, fmt.Sprintf("the regulator is set to %.3g psi, and the tool wants %.3g", n.Regulator, n.NeedPressure), nil
	}
	d, err := HoseDrop(n.Hose, n.NeedFlow, n.Regulator)
	if err != nil {
		return "", "", err
	}
	low, high, about := d.LeftLow, d.LeftHigh, ""
	if n.ExtraDrop >= 0 {
		low, high = low-n.ExtraDrop, high-n.ExtraDrop
	} else {
		low -= n.Regulator - d.LeftLow
		about = "; what couplings take is a guess"
	}
	left := fmt.Sprintf("between %.3g and %.3g psi are left at the tool, and it wants %.3g%s; measure at the tool while it runs", low, high, n.NeedPressure, about)
	switch {
	case high < n.NeedPressure:
		return No, left, nil
	case low >= n.NeedPressure && d.InRange:
		return Yes, left, nil
	}
	return Unsure, left, nil
}
