// Package reckon lets people call the handbook's formulas by name: NAME key=value …. It reads numbers with units, holds keys
// to what the formula takes, and gives the result together with its source and what to mind.
//
// A value is a number in the key's own unit, or a number with a UCUM code directly behind it (depth=10[in_i]).
package reckon

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ullage/events/unit"
)

// ErrAsked is in every error about what was asked: a name, a key or a value. Errors about a number outside a formula's range
// wrap handbook.ErrRange as well.
var ErrAsked = errors.New("cannot be reckoned")

// Formula is one name.
type Formula struct {
	Name     string
	What     string // in a few words
	Keys     []Key
	Results  []string // keys of the result, each with its unit in its name
	Example  string   // arguments, which work
	Source   []string
	Cautions []string

	do func(in values) (result, error)
}

// Key is one that a formula takes.
type Key struct {
	Name     string
	What     string
	Unit     string // of a plain number; empty for what has none, or is no number
	Optional bool

	read func(k *Key, text string) (any, error)
}

// Result is what a call gives.
type Result struct {
	Name     string         `json:"name"`
	Inputs   map[string]any `json:"inputs"` // numbers in the unit of their key
	Result   map[string]any `json:"result"`
	Source   []string       `json:"source"`
	Cautions []string       `json:"cautions"`
}

type result struct {
	fields   map[string]any
	cautions []string // beside those of the formula
}

// values are a call's, read.
type values map[string]any

func (v values) num(key string) float64 { x, _ := v[key].(float64); return x }
func (v values) or(key string, otherwise float64) float64 {
	if x, ok := v[key].(float64); ok {
		return x
	}
	return otherwise
}
func (v values) has(key string) bool       { _, ok := v[key]; return ok }
func (v values) word(key string) string    { s, _ := v[key].(string); return s }
func (v values) list(key string) []float64 { l, _ := v[key].([]float64); return l }
func (v values) ptr(key string) *float64 {
	if x, ok := v[key].(float64); ok {
		return &x
	}
	return nil
}

// Do reads arguments, each key=value, and reckons. Its error wraps ErrAsked and names the key that is wrong.
func (f *Formula) Do(args []string) (*Result, error) {
	in, err := f.read(args)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrAsked, f.Name, err)
	}
	got, err := f.do(in)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrAsked, f.Name, err)
	}
	for name, x := range got.fields { // JSON has no number for it
		if n, ok := x.(float64); ok && (math.IsInf(n, 0) || math.IsNaN(n)) {
			got.fields[name] = nil
		}
	}
	return &Result{
		Name: f.Name, Inputs: in, Result: got.fields, Source: f.Source,
		Cautions: append(append([]string{}, f.Cautions...), got.cautions...),
	}, nil
}

func (f *Formula) read(args []string) (values, error) {
	in := values{}
	for _, arg := range args {
		name, text, ok := strings.Cut(arg, "=")
		if !ok {
			return nil, fmt.Errorf("%q is not key=value", arg)
		}
		i := slices.IndexFunc(f.Keys, func(k Key) bool { return k.Name == name })
		if i < 0 {
			return nil, fmt.Errorf("it has no %q; it takes %s", name, f.keyNames())
		}
		if in.has(name) {
			return nil, fmt.Errorf("%s is given twice", name)
		}
		x, err := f.Keys[i].read(&f.Keys[i], text)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		in[name] = x
	}
	for _, k := range f.Keys {
		if !k.Optional && !in.has(k.Name) {
			return nil, fmt.Errorf("%s is missing: %s", k.Name, k.describe())
		}
	}
	return in, nil
}

func (f *Formula) keyNames() string {
	var names []string
	for _, k := range f.Keys {
		names = append(names, k.Name)
	}
	return strings.Join(names, ", ")
}

func (k *Key) describe() string {
	if k.Unit == "" {
		return k.What
	}
	return k.What + ", " + k.Unit
}

// number is a key for a number in a unit.
func number(name, what, code string) Key {
	return Key{Name: name, What: what, Unit: code, read: readNumber}
}

// word is a key for one of some words.
func word(name, what string, words ...string) Key {
	return Key{Name: name, What: what + ": " + strings.Join(words, ", "), read: func(_ *Key, text string) (any, error) {
		if !slices.Contains(words, text) {
			return nil, fmt.Errorf("%q is none of %s", text, strings.Join(words, ", "))
		}
		return text, nil
	}}
}

// list is a key for numbers with commas between them.
func list(name, what string) Key {
	return Key{Name: name, What: what, read: func(_ *Key, text string) (any, error) {
		var all []float64
		for i, s := range strings.Split(text, ",") {
			x, err := parseNumber(s)
			if err != nil {
				return nil, fmt.Errorf("%d: %w", i+1, err)
			}
			all = append(all, x)
		}
		return all, nil
	}}
}

// text is a key that its formula reads itself.
func text(name, what string) Key {
	return Key{Name: name, What: what, read: func(_ *Key, text string) (any, error) { return text, nil }}
}

func optional(k Key) Key {
	k.Optional = true
	return k
}

// readNumber reads a number, and takes it from the unit behind it to the key's own.
func readNumber(k *Key, text string) (any, error) {
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("0123456789.+-eE", r) })
	// "1e" of a unit that begins with e is none here: no code does.
	digits, code := text, ""
	if end >= 0 {
		digits, code = text[:end], text[end:]
	}
	x, err := parseNumber(digits)
	if err != nil {
		return nil, err
	}
	if code == "" || code == k.Unit {
		return x, nil
	}
	own, err := unit.Lookup(k.Unit)
	if err != nil {
		return nil, fmt.Errorf("it is taken in %q only, not in %q", k.Unit, code)
	}
	given, err := unit.Lookup(code, own.Dim)
	if err != nil {
		return nil, err
	}
	return own.From(given.SI(unit.Value{V: x})).V, nil
}

func parseNumber(text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) || strings.ContainsAny(text, "xXpP_") {
		return 0, fmt.Errorf("%q is no number; write 12.5, or 12.5 with a unit behind it", text)
	}
	return x, nil
}
