package handbook

import (
	"fmt"
	"math"
)

// SaturationPressure is the pressure, in pascal, at which water boils at a temperature in degrees Celsius: the greatest
// partial pressure that its vapour can have there.
//
// Range: 0 to 373.946 degrees. Error: wraps ErrRange.
//
// Source: IAPWS-IF97, region 4, equation 30; R7-97(2012).
func SaturationPressure(cel float64) (float64, error) {
	if !(cel >= 0 && cel <= 373.946) {
		return 0, fmt.Errorf("%w: %g degrees Celsius; saturated water is taken from 0 to 373.946", ErrRange, cel)
	}
	const (
		n1, n2, n3, n4, n5 = 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7
		n6, n7, n8         = 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6
		n9, n10            = -0.23855557567849, 0.65017534844798e3
	)
	t := cel + zeroCelsius
	theta := t + n9/(t-n10)
	square := float64(theta * theta)
	a := square + float64(n1*theta) + n2
	b := float64(n3*square) + float64(n4*theta) + n5
	c := float64(n6*square) + float64(n7*theta) + n8
	root := 2 * c / (-b + math.Sqrt(float64(b*b)-float64(4*a*c)))
	return 1e6 * root * root * root * root, nil
}

// LatentHeat is the heat, in kJ/kg, that evaporates water at a temperature in degrees Celsius.
//
//	2500.92520 - 2.37471836*t + 5.29618190e-4*t^2 - 1.22630174e-5*t^3
//
// Range: 0 to 100 degrees, within 0.001 % of the source. Error: wraps ErrRange.
//
// Source: IAPWS-IF97, through which the polynomial was laid.
func LatentHeat(cel float64) (float64, error) {
	if !(cel >= 0 && cel <= 100) {
		return 0, fmt.Errorf("%w: %g degrees Celsius; the heat of evaporation is taken from 0 to 100", ErrRange, cel)
	}
	return 2500.92520 + float64(cel*(-2.37471836+float64(cel*(5.29618190e-4+float64(cel*-1.22630174e-5))))), nil
}

// zeroCelsius is 0 degrees Celsius in kelvin.
const zeroCelsius = 273.15

// VapourPressure is the partial pressure, in pascal, of the vapour in air at a temperature in degrees Celsius and a relative
// humidity in per cent, 0 to 100. Error: wraps ErrRange.
func VapourPressure(cel, percent float64) (float64, error) {
	if !(percent >= 0 && percent <= 100) {
		return 0, fmt.Errorf("%w: a humidity of %g %%; it is 0 to 100", ErrRange, percent)
	}
	p, err := SaturationPressure(cel)
	return p * percent / 100, err
}
