package events

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

// checker is the rule across the fields of a body, or of an object in one.
type checker interface{ check() error }

// Check judges what a body means: the words of closed lists, ranges, units, and the rules across fields. It is for
// writers; a reader folds and shows what it finds. The error is a FieldError, or ErrUnknownKind, wrapped.
func Check(b Body) error {
	v := reflect.ValueOf(b).Elem()
	s, ok := SchemaOf(b.Kind(), Newest(b.Kind()))
	if !ok || s.typ != v.Type() {
		return fmt.Errorf("%w: %s", ErrUnknownKind, b.Kind())
	}
	return s.meaning(v)
}

func (s *Schema) meaning(v reflect.Value) error {
	for i := range s.Fields {
		f := &s.Fields[i]
		x := v.Field(f.index)
		if !f.given(v) {
			if f.Need {
				return &FieldError{f.Name, "", "must be given"}
			}
			continue
		}
		if !f.List {
			if err := f.meaning(x); err != nil {
				return within(f.Name, err)
			}
			continue
		}
		for j := range x.Len() {
			if err := f.meaning(x.Index(j)); err != nil {
				return within(fmt.Sprintf("%s[%d]", f.Name, j+1), err)
			}
		}
	}
	if c, ok := v.Addr().Interface().(checker); ok {
		return c.check()
	}
	return nil
}

func (f *Field) meaning(v reflect.Value) error {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	switch f.Type {
	case TypeWord:
		w := v.String()
		if f.Open {
			return formString(f.Type, []byte(w))
		}
		if !slices.Contains(f.Words, w) {
			return &FieldError{"", strconv.Quote(w), "not one of " + strings.Join(f.Words, ", ")}
		}
	case TypeFloat, TypeInt:
		var x float64
		switch {
		case v.CanFloat():
			x = v.Float()
		case v.CanUint():
			x = float64(v.Uint())
		default:
			x = float64(v.Int())
		}
		if !(x >= f.Lo && x <= f.Hi) || math.IsInf(x, 0) {
			return &FieldError{"", number(x), "out of range: " + f.interval()}
		}
	case TypeObject, TypeTarget:
		return f.Of.meaning(v)
	case TypeText:
		if t := v.Interface().(Text); t.Plain != "" {
			return formString(TypeString, []byte(t.Plain))
		}
	case TypeString, TypeCode, TypeWhen:
		return formString(f.Type, []byte(v.String()))
	}
	return nil
}

func (f *Field) interval() string {
	switch {
	case math.IsInf(f.Lo, -1) && math.IsInf(f.Hi, 1):
		return "a number must be finite"
	case math.IsInf(f.Hi, 1):
		return "at least " + number(f.Lo)
	case math.IsInf(f.Lo, -1):
		return "at most " + number(f.Hi)
	}
	return number(f.Lo) + " to " + number(f.Hi)
}
