package handbook

import "fmt"

// Law is an evaporation law for warm water under open sky of a room.
type Law string

// The laws.
const (
	Carrier Law = "carrier" // area, temperatures, humidity and the air's speed
	Short   Law = "short"   // the same at a speed of about 0.1 m/s, by an activity factor: 0.5 still, 1 busy, 1.5 and more splashing
	Still   Law = "still"   // an undisturbed, uncovered surface
)

// Surface is what evaporates, and into what.
type Surface struct {
	Area     float64 // m2, above 0
	Water    float64 // its temperature, degrees Celsius, 0 to 100
	Air      float64 // degrees Celsius, 0 to 100
	RH       float64 // relative humidity of the air, per cent
	Speed    float64 // of the air over the surface, m/s; of Carrier
	Activity float64 // of Short, 0.1 to 10
}

// Band is an estimate with the ends of a band that is no promise: no law here is validated for detergent, a film of oil,
// brushing, or a brush that fluid flows through.
type Band struct{ Value, Low, High float64 }

// Evaporation is what evaporates, in kg/h, with a band from half of it to one and a half times as much. Condensation is 0.
//
//	carrier  3600 * area * (pw - pa) * (0.089 + 0.0782*speed) / latent heat, pressures in kPa
//	short    3600 * 4.0e-5 * area * (pw - pa) * activity
//	still    7 * area * (pw - pa) / (461.52 * T), pressures in Pa, T the mean of water and air in K
//
// Error: wraps ErrRange.
//
// Source: carrier: ASHRAE HVAC Applications, after W. H. Carrier (1918), as in ASHRAE Trans. 104 (1998) no. 4146; short: the
// same, Natatoriums; still: VDI 2089:2010.
func Evaporation(law Law, s Surface) (Band, error) {
	switch {
	case !(s.Area > 0 && s.Area <= 1e6):
		return Band{}, fmt.Errorf("%w: an area of %g m2; it is above 0", ErrRange, s.Area)
	case !(s.Air >= 0 && s.Air <= 100):
		return Band{}, fmt.Errorf("%w: air of %g degrees Celsius; it is 0 to 100", ErrRange, s.Air)
	}
	heat, err := LatentHeat(s.Water)
	if err != nil {
		return Band{}, err
	}
	pw, err := SaturationPressure(s.Water)
	if err != nil {
		return Band{}, err
	}
	pa, err := VapourPressure(s.Air, s.RH)
	if err != nil {
		return Band{}, err
	}
	var w float64
	switch law {
	case Carrier:
		if !(s.Speed >= 0 && s.Speed <= 10) {
			return Band{}, fmt.Errorf("%w: a speed of %g m/s; it is 0 to 10", ErrRange, s.Speed)
		}
		w = 3600 * s.Area * (pw - pa) / 1000 * (0.089 + float64(0.0782*s.Speed)) / heat
	case Short:
		if !(s.Activity >= 0.1 && s.Activity <= 10) {
			return Band{}, fmt.Errorf("%w: an activity of %g; it is 0.1 to 10", ErrRange, s.Activity)
		}
		w = 3600 * 4.0e-5 * s.Area * (pw - pa) / 1000 * s.Activity
	case Still:
		w = 7 * s.Area * (pw - pa) / (461.52 * ((s.Water+s.Air)/2 + zeroCelsius))
	default:
		return Band{}, fmt.Errorf("%w: no law %q; there are carrier, short and still", ErrRange, law)
	}
	w = max(w, 0)
	return Band{w, 0.5 * w, 1.5 * w}, nil
}
