package events

import (
	"fmt"
	"strconv"

	"ullage/events/unit"
)

// ReadingTaken is a measurement: a value, a limit that the instrument could tell no more about, or why there is none.
type ReadingTaken struct {
	Quantity   Word     `f:"quantity,need" in:"ph,strength,temperature,level,volume,mass,conductivity,hardness,dissolved-oxygen,oil-depth,sludge-depth,foam-depth,air-pressure,air-flow,filter-drop,running-hours,meter-count,activity,air-temperature,air-humidity,resistance,trip-time,current"`
	Value      *float64 `f:"value"`
	Unit       string   `f:"unit"`                   // UCUM; left out: the quantity's first
	U          *float64 `f:"u" lo:"0"`               // standard uncertainty, in Unit
	Limit      Word     `f:"limit" in:"below,above"` // the true value lies below or above Value
	NotRead    *bool    `f:"not_read"`
	Why        Text     `f:"why"`
	Method     Word     `f:"method" in:"dip,mark,strip,meter,refractometer,gauge,scale,titration,eye,dip-slide,…"`
	Moment     Word     `f:"moment" in:"arrival,working,departure"`
	Of         string   `f:"of"` // bath (left out), a tank, vessel:<code>, supply:water, supply:air, position:<name>
	Instrument Code     `f:"instrument"`
	Lot        string   `f:"lot"`
	Raw        *float64 `f:"raw"` // what the scale showed, before Factor
	Factor     *float64 `f:"factor" lo:"0"`
	State      *State   `f:"state"`
}

// State is how a machine stood while its bath was read.
type State struct {
	Pump       Word     `f:"pump" in:"on,off"`
	Air        Word     `f:"air" in:"on,off"`
	Basket     Word     `f:"basket" in:"empty,full"`
	DrainedMin *float64 `f:"drained_min" lo:"0"`
}

var _ = define[ReadingTaken]("reading.taken", 1, anyone)

func (*ReadingTaken) Kind() Kind { return "reading.taken" }

// A quantity's dimensions and the bounds of what can stand on an instrument, in the dimension's own unit. The first
// code of the first dimension counts where no unit is given.
type quantity struct {
	first  string
	dims   []unit.Dim
	lo, hi float64
}

var quantities = map[Word]quantity{
	"ph":               {"[pH]", []unit.Dim{unit.PH}, 0, 14},
	"strength":         {"%", []unit.Dim{unit.Fraction}, 0, 1},
	"temperature":      {"Cel", []unit.Dim{unit.Temperature}, 223.15, 423.15},
	"level":            {"mm", []unit.Dim{unit.Length}, 0, 100},
	"volume":           {"L", []unit.Dim{unit.Volume}, 0, 1e6},
	"mass":             {"kg", []unit.Dim{unit.Mass}, 0, 1e6},
	"conductivity":     {"mS/cm", []unit.Dim{unit.Conductivity}, 0, 200},
	"hardness":         {"mmol/L", []unit.Dim{unit.Amount, unit.Content}, 0, 1e5},
	"dissolved-oxygen": {"mg/L", []unit.Dim{unit.Content}, 0, 100},
	"oil-depth":        {"mm", []unit.Dim{unit.Length}, 0, 10},
	"sludge-depth":     {"mm", []unit.Dim{unit.Length}, 0, 10},
	"foam-depth":       {"mm", []unit.Dim{unit.Length}, 0, 10},
	"air-pressure":     {"bar", []unit.Dim{unit.Pressure}, 0, 1e8},
	"air-flow":         {"L/min", []unit.Dim{unit.Flow}, 0, 1e6},
	"filter-drop":      {"bar", []unit.Dim{unit.Pressure}, 0, 1e8},
	"running-hours":    {"h", []unit.Dim{unit.Time}, 0, 1e10},
	"meter-count":      {"1", []unit.Dim{unit.Fraction, unit.Volume}, 0, 1e12},
	"activity":         {"[CFU]/mL", []unit.Dim{unit.Germs, unit.Fraction}, 0, 1e12},
	"air-temperature":  {"Cel", []unit.Dim{unit.Temperature}, 203.15, 353.15},
	"air-humidity":     {"%", []unit.Dim{unit.Fraction}, 0, 1},
	"resistance":       {"MOhm", []unit.Dim{unit.Resistance}, 0, 1e15},
	"trip-time":        {"ms", []unit.Dim{unit.Time}, 0, 1e3},
	"current":          {"mA", []unit.Dim{unit.Current}, 0, 1e5},
}

// QuantityUnit is the unit of a reading: the one that was given, or the quantity's first. The error wraps unit.ErrUnit.
func QuantityUnit(q Word, code string) (unit.Unit, error) {
	known, ok := quantities[q]
	if !ok {
		return unit.Lookup(code)
	}
	if code == "" {
		code = known.first
	}
	return unit.Lookup(code, known.dims...)
}

func (b *ReadingTaken) check() error {
	notRead := b.NotRead != nil && *b.NotRead
	switch {
	case notRead && b.Value != nil:
		return &FieldError{"value", number(*b.Value), "a reading that was not taken has no value"}
	case notRead && b.Why.IsZero():
		return &FieldError{"why", "", "say why it was not read"}
	case !notRead && b.Value == nil:
		return &FieldError{"value", "", "must be given, or not_read with why"}
	}
	u, err := QuantityUnit(b.Quantity, b.Unit)
	if err != nil {
		return &FieldError{"unit", strconv.Quote(b.Unit), err.Error()}
	}
	if b.Value != nil {
		if err := quantities[b.Quantity].checkRange(b.Quantity, u, *b.Value); err != nil {
			return err
		}
	}
	return checkOf(b.Of)
}

// checkRange holds a value in a unit of the quantity to the quantity's bounds. A hair of room is left for what the
// conversion rounds.
func (q quantity) checkRange(name Word, u unit.Unit, value float64) error {
	if x := u.SI(unit.Value{V: value}).V; x < q.lo-1e-9 || x > q.hi+1e-9 {
		lo, hi := u.From(unit.Value{V: q.lo}).V, u.From(unit.Value{V: q.hi}).V
		return &FieldError{"value", number(value) + " " + u.Code, fmt.Sprintf("out of range for %s: %.6g to %.6g %s", name, lo, hi, u.Code)}
	}
	return nil
}

// number writes a number in its shortest form.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
