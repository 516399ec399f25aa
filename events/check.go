package events

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ullage/events/unit"
)

// checkUnit holds a unit to those of the given dimensions, to all that are taken where none is given. No unit is right:
// then the first of the dimension counts.
func checkUnit(code string, dims ...unit.Dim) error {
	if code == "" {
		return nil
	}
	if _, err := unit.Lookup(code, dims...); err != nil {
		return &FieldError{"unit", strconv.Quote(code), err.Error()}
	}
	return nil
}

// checkVolume holds a unit to those of volume.
func checkVolume(code string) error { return checkUnit(code, unit.Volume) }

// places are the listed places of flows; none of them can be the code of a vessel.
var places = []Code{"bath", "stock", "drain", "floor", "van", "site-stock", "tap", "demineralised", "vessel"}

// checkFlow is the rule of every flow: it leads from one place to another, and its unit is one of volume.
func checkFlow(from, to Code, code string) error {
	if from == to {
		return &FieldError{"to", strconv.Quote(string(to)), "a flow leads to another place than it comes from"}
	}
	return checkVolume(code)
}

// checkVessel holds the code of a vessel apart from the listed places.
func checkVessel(vessel Code) error {
	if slices.Contains(places, vessel) {
		return &FieldError{"vessel", strconv.Quote(string(vessel)), "a listed place cannot be the code of a vessel"}
	}
	return nil
}

// checkOf holds to its form what a reading or a look is of.
func checkOf(of string) error {
	if of == "" {
		return nil
	}
	what, name, part := strings.Cut(of, ":")
	switch {
	case !part:
		name = what
	case what == "supply" && (name == "water" || name == "air"):
	case what != "vessel" && what != "position":
		return &FieldError{"of", strconv.Quote(of), "not bath, a tank, vessel:<code>, supply:water, supply:air, position:<name>"}
	}
	if err := CheckIdentifier(name); err != nil {
		return &FieldError{"of", strconv.Quote(of), err.Error()}
	}
	return nil
}

// checkOrder holds the second of two times, the one at path, to be not before the first. Where one of them is a date
// only their days are compared, as they were written.
func checkOrder(first When, path string, second When) error {
	a, errA := ParseWhen(string(first))
	b, errB := ParseWhen(string(second))
	if errA != nil || errB != nil { // one was not given; its form is judged before
		return nil
	}
	const day = len("2006-01-02")
	before := b.Before(a)
	if len(first) == day || len(second) == day {
		before = second[:day] < first[:day]
	}
	if before {
		return &FieldError{path, string(second), "lies before " + string(first)}
	}
	return nil
}

// checkRising holds a number, the one at path, to be at least another.
func checkRising(low *float64, path string, high *float64) error {
	if low != nil && high != nil && *high < *low {
		return &FieldError{path, number(*high), "must be at least " + number(*low)}
	}
	return nil
}

// checkTag holds a text to what names of languages and zones are made of.
func checkTag(path, s, more, want string) error {
	for _, c := range s {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune(more, c)) {
			return &FieldError{path, strconv.Quote(s), want}
		}
	}
	return nil
}

// checkLang holds a text to the characters of a language tag (BCP 47).
func checkLang(lang string) error {
	return checkTag("lang", lang, "-", "not a language tag, such as en or de-AT")
}

// checkRange holds a range of records to run forward.
func checkRange(from, to Seq) error {
	if to < from {
		return &FieldError{"to", strconv.FormatUint(uint64(to), 10), "lies before from"}
	}
	return nil
}

// needOne says which is missing of several fields of which at least one must be given.
func needOne(given bool, fields ...string) error {
	if given {
		return nil
	}
	return &FieldError{fields[0], "", fmt.Sprintf("at least one of %s must be given", strings.Join(fields, ", "))}
}

// first is the first error of several rules.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
