// Package unit holds the UCUM codes that Ullage takes, and quantities with their standard uncertainty.
//
// Inside, amounts are in SI units, but for volumes, which are in litres: the trade's unit and ours. Outside they carry
// the code that the user gave. One table tells the dimension of each code and how it converts.
package unit

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// ErrUnit is in every error about a code.
var ErrUnit = errors.New("not a unit that is taken here")

// Dim is what a unit measures.
type Dim string

// The dimensions, each with the unit that Convert gives.
const (
	Volume       Dim = "volume"       // L
	Length       Dim = "length"       // m
	Mass         Dim = "mass"         // kg
	Temperature  Dim = "temperature"  // K
	Pressure     Dim = "pressure"     // Pa
	Flow         Dim = "flow"         // L/s
	Fraction     Dim = "fraction"     // 1
	PH           Dim = "pH"           // [pH]
	Conductivity Dim = "conductivity" // S/m
	Amount       Dim = "amount"       // mmol/L
	Content      Dim = "content"      // mg/L
	Germs        Dim = "germs"        // [CFU]/mL
	Resistance   Dim = "resistance"   // Ohm
	Current      Dim = "current"      // A
	Time         Dim = "time"         // s
)

// Unit is one code. An amount x in it is x*Factor + Offset in the dimension's own unit.
type Unit struct {
	Code   string // UCUM, case sensitive
	Dim    Dim
	Factor float64
	Offset float64
}

// The factors are exact by definition (NIST SP 811, appendix B; NIST Handbook 44, appendix C), the pound-force per
// square inch from lb, inch and standard gravity.
var table = []Unit{
	{"L", Volume, 1, 0}, {"l", Volume, 1, 0}, {"mL", Volume, 1e-3, 0}, {"m3", Volume, 1e3, 0},
	{"[gal_us]", Volume, 3.785411784, 0}, {"[gal_br]", Volume, 4.54609, 0},
	{"mm", Length, 1e-3, 0}, {"cm", Length, 1e-2, 0}, {"m", Length, 1, 0}, {"[in_i]", Length, 0.0254, 0}, {"[ft_i]", Length, 0.3048, 0},
	{"kg", Mass, 1, 0}, {"g", Mass, 1e-3, 0}, {"[lb_av]", Mass, 0.45359237, 0},
	{"Cel", Temperature, 1, 273.15}, {"[degF]", Temperature, 5.0 / 9, 273.15 - 32*5.0/9}, {"K", Temperature, 1, 0},
	{"Pa", Pressure, 1, 0}, {"kPa", Pressure, 1e3, 0}, {"bar", Pressure, 1e5, 0}, {"[psi]", Pressure, 6894.757293168, 0},
	{"L/s", Flow, 1, 0}, {"L/min", Flow, 1.0 / 60, 0}, {"m3/h", Flow, 1 / 3.6, 0}, {"[cft_i]/min", Flow, 0.4719474432, 0},
	{"%", Fraction, 1e-2, 0}, {"1", Fraction, 1, 0},
	{"[pH]", PH, 1, 0},
	{"S/m", Conductivity, 1, 0}, {"mS/cm", Conductivity, 0.1, 0}, {"uS/cm", Conductivity, 1e-4, 0},
	{"mmol/L", Amount, 1, 0}, {"mg/L", Content, 1, 0}, {"[CFU]/mL", Germs, 1, 0},
	{"Ohm", Resistance, 1, 0}, {"MOhm", Resistance, 1e6, 0},
	{"mA", Current, 1e-3, 0}, {"A", Current, 1, 0},
	{"ms", Time, 1e-3, 0}, {"s", Time, 1, 0}, {"min", Time, 60, 0}, {"h", Time, 3600, 0}, {"d", Time, 86400, 0},
}

var byCode = func() map[string]Unit {
	m := make(map[string]Unit, len(table))
	for _, u := range table {
		m[u.Code] = u
	}
	return m
}()

// Codes lists the codes of the given dimensions, of all where none is given.
func Codes(dims ...Dim) []string {
	var codes []string
	for _, u := range table {
		if len(dims) == 0 || has(dims, u.Dim) {
			codes = append(codes, u.Code)
		}
	}
	return codes
}

func has(dims []Dim, d Dim) bool {
	for _, x := range dims {
		if x == d {
			return true
		}
	}
	return false
}

// Lookup finds a code among those of the given dimensions, among all where none is given. The error wraps ErrUnit and
// names the codes that would be right.
func Lookup(code string, dims ...Dim) (Unit, error) {
	u, ok := byCode[code]
	if !ok || len(dims) > 0 && !has(dims, u.Dim) {
		return Unit{}, fmt.Errorf("%w: %q; right would be %s", ErrUnit, code, strings.Join(Codes(dims...), ", "))
	}
	return u, nil
}

// Value is an amount with its standard uncertainty (one standard deviation), both in the same unit.
type Value struct{ V, U float64 }

// SI converts an amount in this unit to the dimension's own unit. The uncertainty takes the factor only.
func (u Unit) SI(x Value) Value {
	return Value{float64(x.V*u.Factor) + u.Offset, x.U * u.Factor}
}

// From is the inverse of SI.
func (u Unit) From(x Value) Value {
	return Value{(x.V - u.Offset) / u.Factor, x.U / u.Factor}
}

// Add is the sum of two independent amounts: uncertainties add in squares (JCGM 100:2008, 5.1.2).
func (x Value) Add(y Value) Value { return Value{x.V + y.V, math.Hypot(x.U, y.U)} }

// Sub is the difference of two independent amounts.
func (x Value) Sub(y Value) Value { return Value{x.V - y.V, math.Hypot(x.U, y.U)} }
