package events

import (
	"strconv"

	"ullage/events/unit"
)

// CheckMade tells of a safety check at a machine.
type CheckMade struct {
	Check      Word     `f:"check,need" in:"earth,insulation,leakage-trip,low-level-cut-out,over-temperature,lid,guard,hose"`
	Result     Word     `f:"result,need" in:"pass,fail,not-done"`
	Value      *float64 `f:"value"`
	Unit       string   `f:"unit"` // of Value; left out: the first of the check
	Instrument Code     `f:"instrument"`
	Why        Text     `f:"why"`
}

// The dimensions that the value of a check can have, and the code that counts where none is given. A check that is not
// listed has no value, or one in any unit.
var checkUnits = map[Word]quantity{
	"earth":             {"Ohm", []unit.Dim{unit.Resistance}, 0, 1e6},
	"insulation":        {"MOhm", []unit.Dim{unit.Resistance}, 0, 1e15},
	"leakage-trip":      {"ms", []unit.Dim{unit.Time, unit.Current}, 0, 1e3},
	"low-level-cut-out": {"mm", []unit.Dim{unit.Length, unit.Volume}, 0, 1e6},
	"over-temperature":  {"Cel", []unit.Dim{unit.Temperature}, 223.15, 473.15},
}

// CheckUnit is the unit of a check's value: the one that was given, or the check's first. The error wraps unit.ErrUnit.
func CheckUnit(check Word, code string) (unit.Unit, error) {
	known, ok := checkUnits[check]
	if code == "" {
		code = "1"
		if ok {
			code = known.first
		}
	}
	return unit.Lookup(code, known.dims...)
}

var _ = define[CheckMade]("check.made", 1, anyone)

func (*CheckMade) Kind() Kind { return "check.made" }

func (b *CheckMade) check() error {
	if b.Result == "not-done" {
		switch {
		case b.Why.IsZero():
			return &FieldError{"why", "", "say why it was not done"}
		case b.Value != nil:
			return &FieldError{"value", number(*b.Value), "a check that was not done has no value"}
		}
	}
	u, err := CheckUnit(b.Check, b.Unit)
	if err != nil {
		return &FieldError{"unit", strconv.Quote(b.Unit), err.Error()}
	}
	if known, ok := checkUnits[b.Check]; ok && b.Value != nil {
		return known.checkRange(b.Check, u, *b.Value)
	}
	return nil
}
