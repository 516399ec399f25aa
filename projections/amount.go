package projections

import (
	"math"
	"strconv"

	"ullage/events/unit"
)

// Fixed rounds an amount to the sixth place behind the point, which is how amounts (litres, kilograms) stand in
// results: whoever computes them, on whatever platform, prints and hashes the same. Zero has no sign.
func Fixed(x float64) float64 {
	const places = 1e6
	if math.Abs(x) < 1<<53/places {
		x = math.Round(x*places) / places
	}
	return x + 0 // -0 + 0 is 0
}

// Amount is a number in a result: fixed to six places, in JSON in its shortest form. What is no number is null there.
type Amount float64

// MarshalJSON writes a as Fixed leaves it.
func (a Amount) MarshalJSON() ([]byte, error) {
	x := Fixed(float64(a))
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, x, 'f', -1, 64), nil
}

// Measured is an amount with its standard uncertainty, as results carry it.
type Measured struct {
	Value Amount `json:"value"`
	U     Amount `json:"u"`
}

// MeasuredOf fixes a value for a result.
func MeasuredOf(v unit.Value) Measured { return Measured{Amount(Fixed(v.V)), Amount(Fixed(v.U))} }
