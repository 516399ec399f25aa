package handbook

import (
	"fmt"
	"math"
)

// Strength is the concentration, in per cent, that a refractometer shows: reading times factor, the product's factor from
// its data sheet. u is its standard uncertainty, by those of both.
//
//	c = brix * factor,  u = sqrt((factor*uBrix)^2 + (brix*uFactor)^2)
//
// Range: a reading of 0 to 100, a factor above 0 up to 100; c at most 100. Error: wraps ErrRange.
//
// Source: the makers' data sheets; STLE, Tribology and Lubrication Technology, March 2009; JCGM 100:2008 for u.
func Strength(brix, factor, uBrix, uFactor float64) (c, u float64, err error) {
	switch {
	case !(brix >= 0 && brix <= 100):
		return 0, 0, fmt.Errorf("%w: a reading of %g; it is 0 to 100", ErrRange, brix)
	case !(factor > 0 && factor <= 100):
		return 0, 0, fmt.Errorf("%w: a factor of %g; it is above 0 and at most 100", ErrRange, factor)
	case !(uBrix >= 0) || !(uFactor >= 0) || math.IsInf(uBrix+uFactor, 0):
		return 0, 0, fmt.Errorf("%w: an uncertainty is not below 0", ErrRange)
	}
	if c = brix * factor; c > 100 {
		return 0, 0, fmt.Errorf("%w: %g times %g is %g %%, more than all", ErrRange, brix, factor, c)
	}
	return c, math.Hypot(factor*uBrix, brix*uFactor), nil
}

// Dilute solves c1*v1 = c2*v2 for the one of the four that is nil; the other three are above 0. Any unit of strength, and
// any unit of volume. Error: wraps ErrRange.
//
// Source: the balance of what is dissolved.
func Dilute(c1, v1, c2, v2 *float64) (float64, error) {
	var missing int
	for _, x := range []*float64{c1, v1, c2, v2} {
		if x == nil {
			missing++
		} else if !(*x > 0) || math.IsInf(*x, 0) {
			return 0, fmt.Errorf("%w: %g; strengths and volumes are above 0", ErrRange, *x)
		}
	}
	if missing != 1 {
		return 0, fmt.Errorf("%w: three of c1, v1, c2 and v2 are needed, not %d", ErrRange, 4-missing)
	}
	switch {
	case c1 == nil:
		return *c2 * *v2 / *v1, nil
	case v1 == nil:
		return *c2 * *v2 / *c1, nil
	case c2 == nil:
		return *c1 * *v1 / *v2, nil
	}
	return *c1 * *v1 / *c2, nil
}

// Blend is how much of a strong and of a weak fluid makes a total of the strength target: the square of alligation. All
// strengths in one unit, all volumes in one. Range: low <= target <= high, low < high. Error: wraps ErrRange.
//
//	highVolume = total * (target - low) / (high - low)
//
// Source: the balance of what is dissolved; volumes are taken to add, which at the strengths of a bath is true to well below
// one per cent.
func Blend(high, low, target, total float64) (highVolume, lowVolume float64, err error) {
	switch {
	case !(low >= 0 && low < high) || math.IsInf(high, 0):
		return 0, 0, fmt.Errorf("%w: strengths of %g and %g; the high one is above the low one", ErrRange, high, low)
	case !(target >= low && target <= high):
		return 0, 0, fmt.Errorf("%w: a target of %g; it lies between %g and %g", ErrRange, target, low, high)
	case !(total > 0) || math.IsInf(total, 0):
		return 0, 0, fmt.Errorf("%w: a total of %g; it is above 0", ErrRange, total)
	}
	highVolume = total * (target - low) / (high - low)
	return highVolume, total - highVolume, nil
}

// Bath is a bath and what is to become of it. Volumes in litres, strengths in per cent by volume.
type Bath struct {
	Volume, Strength     float64
	ToVolume, ToStrength float64
	Concentrate, Water   float64 // strengths of what is added; of Water usually 0
}

// TopUpPlan is what to do with a bath. Where it is not Feasible by adding alone, Drain has to go first.
type TopUpPlan struct {
	Feasible                  bool
	Concentrate, Water, Drain float64 // L
}

// TopUp is how much concentrate and water bring a bath to a volume and a strength.
//
//	concentrate = (Vt*ct - V*c - (Vt-V)*cw) / (cc - cw),  water = Vt - V - concentrate
//
// Where one of them would be less than nothing, the bath is too strong (drain, then add water alone) or there is no room
// (drain, then add concentrate alone). Range: volumes above 0; Water <= ToStrength <= Concentrate, Water < Concentrate.
// Error: wraps ErrRange.
//
// Source: the balances of volume and of what is dissolved; volumes are taken to add.
func TopUp(b Bath) (TopUpPlan, error) {
	v, vt, c, ct, cc, cw := b.Volume, b.ToVolume, b.Strength, b.ToStrength, b.Concentrate, b.Water
	switch {
	case !(v >= 0 && vt > 0) || math.IsInf(v+vt, 0):
		return TopUpPlan{}, fmt.Errorf("%w: from %g to %g L; volumes are above 0", ErrRange, v, vt)
	case !(cw >= 0 && cw < cc && cc <= 100):
		return TopUpPlan{}, fmt.Errorf("%w: a concentrate of %g %% and water of %g %%; they are 0 to 100, the concentrate the stronger", ErrRange, cc, cw)
	case !(ct >= cw && ct <= cc):
		return TopUpPlan{}, fmt.Errorf("%w: a bath of %g %% cannot be made of %g and %g %%", ErrRange, ct, cc, cw)
	case !(c >= 0 && c <= 100):
		return TopUpPlan{}, fmt.Errorf("%w: a strength of %g %%; it is 0 to 100", ErrRange, c)
	}
	need := float64(vt*ct) - float64(v*c)
	conc := (need - float64((vt-v)*cw)) / (cc - cw)
	if water := vt - v - conc; conc >= 0 && water >= 0 {
		return TopUpPlan{Feasible: true, Concentrate: conc, Water: water}, nil
	}
	var plan TopUpPlan
	switch {
	case c == ct:
		plan.Drain = v - vt
	case c > ct: // too strong
		plan.Drain = (float64((vt-v)*cw) - need) / (c - cw)
		plan.Water = vt - v + plan.Drain
	default: // no room
		plan.Drain = (need - float64((vt-v)*cc)) / (cc - c)
		plan.Concentrate = vt - v + plan.Drain
	}
	return plan, nil
}

// VesselMass is the mass, in kg, of a vessel of tare kg with litres in it at a density in kg/L. Error: wraps ErrRange.
func VesselMass(litres, density, tare float64) (float64, error) {
	if err := checkVessel(litres, density, tare); err != nil {
		return 0, err
	}
	return float64(litres*density) + tare, nil
}

// VesselFill is how many litres make a vessel of tare kg as heavy as limit kg: the inverse of VesselMass. Error: wraps
// ErrRange, also where the vessel alone is as heavy.
func VesselFill(limit, density, tare float64) (float64, error) {
	if err := checkVessel(0, density, tare); err != nil {
		return 0, err
	}
	if !(limit > tare) || math.IsInf(limit, 0) {
		return 0, fmt.Errorf("%w: a limit of %g kg; the vessel alone has %g", ErrRange, limit, tare)
	}
	return (limit - tare) / density, nil
}

func checkVessel(litres, density, tare float64) error {
	switch {
	case !(litres >= 0) || math.IsInf(litres, 0):
		return fmt.Errorf("%w: %g L; a volume is not below 0", ErrRange, litres)
	case !(density >= 0.5 && density <= 3):
		return fmt.Errorf("%w: a density of %g kg/L; fluids and sludge have 0.5 to 3", ErrRange, density)
	case !(tare >= 0) || math.IsInf(tare, 0):
		return fmt.Errorf("%w: a tare of %g kg; it is not below 0", ErrRange, tare)
	}
	return nil
}
