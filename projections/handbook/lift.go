package handbook

import (
	"fmt"
	"math"
)

// Coupling is how hands hold a load.
type Coupling string

// The couplings.
const (
	Good Coupling = "good"
	Fair Coupling = "fair"
	Poor Coupling = "poor"
)

// LiftUnits are the units of a Lift. The equation in the one is no exact conversion of the other: it is reckoned in one.
type LiftUnits string

// The units.
const (
	SI LiftUnits = "si" // cm, kg
	US LiftUnits = "us" // inches, pounds
)

// Lift is how something is lifted with both hands, standing.
type Lift struct {
	Horizontal float64 // from between the ankles to the hands
	Vertical   float64 // from the floor to the hands, where the lift begins
	Travel     float64 // of the hands, up or down
	Angle      float64 // that the body is turned by, degrees
	Rate       float64 // lifts a minute
	Hours      float64 // of lifting in one go, up to 8
	Coupling   Coupling
	Units      LiftUnits
}

// frequency are the rates of the table, and for each the multipliers up to 1, 2 and 8 hours, of lifts that begin below the
// height of the knuckles and from it on.
var frequency = []struct {
	rate       float64
	low, above [3]float64
}{
	{0.2, [3]float64{1, .95, .85}, [3]float64{1, .95, .85}},
	{0.5, [3]float64{.97, .92, .81}, [3]float64{.97, .92, .81}},
	{1, [3]float64{.94, .88, .75}, [3]float64{.94, .88, .75}},
	{2, [3]float64{.91, .84, .65}, [3]float64{.91, .84, .65}},
	{3, [3]float64{.88, .79, .55}, [3]float64{.88, .79, .55}},
	{4, [3]float64{.84, .72, .45}, [3]float64{.84, .72, .45}},
	{5, [3]float64{.80, .60, .35}, [3]float64{.80, .60, .35}},
	{6, [3]float64{.75, .50, .27}, [3]float64{.75, .50, .27}},
	{7, [3]float64{.70, .42, .22}, [3]float64{.70, .42, .22}},
	{8, [3]float64{.60, .35, .18}, [3]float64{.60, .35, .18}},
	{9, [3]float64{.52, .30, 0}, [3]float64{.52, .30, .15}},
	{10, [3]float64{.45, .26, 0}, [3]float64{.45, .26, .13}},
	{11, [3]float64{.41, 0, 0}, [3]float64{.41, .23, 0}},
	{12, [3]float64{.37, 0, 0}, [3]float64{.37, .21, 0}},
	{13, [3]float64{0, 0, 0}, [3]float64{.34, 0, 0}},
	{14, [3]float64{0, 0, 0}, [3]float64{.31, 0, 0}},
	{15, [3]float64{0, 0, 0}, [3]float64{.28, 0, 0}},
}

// RecommendedWeight is the weight that nearly all healthy people can lift so without harm, in kg, or pounds in US units; 0
// where nothing should be lifted in such a way.
//
//	23 kg * (25/H) * (1 - 0.003*|V-75|) * (0.82 + 4.5/D) * (1 - 0.0032*A) * FM * CM     (cm)
//	51 lb * (10/H) * (1 - 0.0075*|V-30|) * (0.82 + 1.8/D) * (1 - 0.0032*A) * FM * CM    (in)
//
// It does not hold for one hand, sitting or kneeling, a load that moves, slippery floors, or more than 8 hours: an open pail
// in which fluid moves is such a load. Range: distances from 0 to 300 cm, an angle of 0 to 180 degrees, 0 to 1,000 lifts a
// minute, above 0 to 8 hours. Error: wraps ErrRange.
//
// Source: NIOSH 94-110, Applications Manual for the Revised NIOSH Lifting Equation, revised 9/2021.
func RecommendedWeight(l Lift) (float64, error) {
	constant, near, far, knuckles, perHeight, highest, travel, longest := 23.0, 25.0, 63.0, 75.0, 0.003, 175.0, 4.5, 175.0
	most := 300.0
	switch l.Units {
	case SI:
	case US:
		constant, near, far, knuckles, perHeight, highest, travel, longest, most = 51, 10, 25, 30, 0.0075, 70, 1.8, 70, 120
	default:
		return 0, fmt.Errorf("%w: no units %q; there are si and us", ErrRange, l.Units)
	}
	for _, x := range []struct {
		name        string
		value, most float64
	}{
		{"horizontal distance", l.Horizontal, most}, {"vertical distance", l.Vertical, most}, {"travel", l.Travel, most}, {"angle", l.Angle, 180}, {"rate", l.Rate, 1000},
	} {
		if !(x.value >= 0 && x.value <= x.most) {
			return 0, fmt.Errorf("%w: a %s of %g; it is 0 to %g", ErrRange, x.name, x.value, x.most)
		}
	}
	if !(l.Hours > 0 && l.Hours <= 8) {
		return 0, fmt.Errorf("%w: %g hours; it is above 0 and at most 8", ErrRange, l.Hours)
	}
	high := l.Vertical >= knuckles
	coupling, ok := map[Coupling]float64{Good: 1, Fair: 0.95, Poor: 0.9}[l.Coupling]
	if !ok {
		return 0, fmt.Errorf("%w: no coupling %q; there are good, fair and poor", ErrRange, l.Coupling)
	}
	if l.Coupling == Fair && high {
		coupling = 1
	}
	if l.Horizontal > far || l.Vertical > highest || l.Travel > longest || l.Angle > 135 {
		return 0, nil
	}
	distance := max(l.Travel, near)
	return constant * min(near/max(l.Horizontal, near), 1) * (1 - float64(perHeight*math.Abs(l.Vertical-knuckles))) * min(0.82+travel/distance, 1) *
		(1 - float64(0.0032*l.Angle)) * frequencyMultiplier(l.Rate, l.Hours, high) * coupling, nil
}

// frequencyMultiplier is linear between the rows of the table; 0 beyond the last.
func frequencyMultiplier(rate, hours float64, high bool) float64 {
	column := 2
	if hours <= 1 {
		column = 0
	} else if hours <= 2 {
		column = 1
	}
	at := func(i int) float64 {
		if high {
			return frequency[i].above[column]
		}
		return frequency[i].low[column]
	}
	last := len(frequency) - 1
	switch {
	case rate <= frequency[0].rate:
		return at(0)
	case rate > frequency[last].rate:
		return 0
	}
	i := 1
	for frequency[i].rate < rate {
		i++
	}
	a, b := frequency[i-1].rate, frequency[i].rate
	return at(i-1) + float64((at(i)-at(i-1))*((rate-a)/(b-a)))
}

// LiftRate is the rate over a quarter of an hour, of lifts at a rate for some minutes of it and none in the rest. Range:
// above 0 to 15 minutes. Error: wraps ErrRange.
//
// Source: NIOSH 94-110, the special procedure for lifting that is not continuous.
func LiftRate(rate, minutes float64) (float64, error) {
	if !(rate >= 0 && rate <= 1000) || !(minutes > 0 && minutes <= 15) {
		return 0, fmt.Errorf("%w: %g lifts a minute for %g minutes of 15", ErrRange, rate, minutes)
	}
	return rate * minutes / 15, nil
}
