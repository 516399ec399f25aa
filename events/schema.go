package events

import (
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

// Type is the form of a field's value.
type Type int

// The types, with the Go type of a field and its form in MessagePack and JSON.
const (
	TypeString Type = iota // string: a short text of at most MaxText characters
	TypeText               // Text: str or bin 32; in JSON a string of any length
	TypeWord               // Word: str
	TypeCode               // Code, DeviceID, SiteID, MachineID, StaffCode: str
	TypeWhen               // When: str
	TypeDigest             // Digest: bin 32; in JSON the text, or "evidence:<hex>"; where Bare, 64 hexadecimal digits
	TypeFloat              // float64, *float64: float64
	TypeInt                // int64, *int64: int; Seq: uint from 1
	TypeBool               // *bool: bool
	TypeVisit              // RecordID: bin 16; in JSON a UUID
	TypeRaw                // Raw: map
	TypeTarget             // Target: map of device, seq, hash; in JSON an id, or "device/seq/hex"
	TypeObject             // struct, *struct: map
	TypeBytes              // []byte: bin; in JSON base64
)

// Field is one field of a kind, or of an object in one.
type Field struct {
	Name  string
	Type  Type
	List  bool // a list of Type
	Need  bool
	Words []string // of TypeWord
	Open  bool     // Words are not all
	Bare  bool     // of TypeDigest: a hash that stands for no evidence
	Lo    float64  // bounds of a number; infinite where there is none
	Hi    float64
	Of    *Schema // of TypeObject

	index    int
	unsigned bool // of TypeInt
}

// Schema is the form of one version of a kind, or of an object in it. Fields ascend by name.
type Schema struct {
	Kind   Kind // empty for an object
	V      int
	Office bool // only the office may write it
	Fields []Field

	typ reflect.Type // the struct
}

type kindKey struct {
	kind Kind
	v    int
}

var kinds = map[kindKey]*Schema{}

// by says who may write a kind.
type by bool

const (
	anyone     by = false
	officeOnly by = true
)

// define puts a kind into the table; T is its body's struct. Each kind's file calls it once, while the package's
// variables are made; the table does not change afterwards.
func define[T any](kind Kind, v int, who by) *Schema {
	s := schemaOf(reflect.TypeFor[T]())
	s.Kind, s.V, s.Office = kind, v, bool(who)
	if _, twice := kinds[kindKey{kind, v}]; twice || !kind.Valid() {
		panic("events.define: " + string(kind))
	}
	if _, ok := reflect.New(s.typ).Interface().(Body); !ok {
		panic("events.define: no method Kind on the body of " + string(kind))
	}
	kinds[kindKey{kind, v}] = s
	return s
}

// SchemaOf finds the form of a kind and version.
func SchemaOf(kind Kind, v int) (*Schema, bool) {
	s, ok := kinds[kindKey{kind, v}]
	return s, ok
}

// Newest is the newest version of a kind; 0 where the kind is not known.
func Newest(kind Kind) int {
	v := 0
	for {
		if _, ok := kinds[kindKey{kind, v + 1}]; !ok {
			return v
		}
		v++
	}
}

// Schemas lists every kind and version, in ascending order.
func Schemas() []*Schema {
	all := make([]*Schema, 0, len(kinds))
	for _, s := range kinds {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b *Schema) int {
		if c := strings.Compare(string(a.Kind), string(b.Kind)); c != 0 {
			return c
		}
		return a.V - b.V
	})
	return all
}

var types = map[reflect.Type]Type{
	reflect.TypeFor[string](): TypeString, reflect.TypeFor[Text](): TypeText, reflect.TypeFor[Word](): TypeWord,
	reflect.TypeFor[Code](): TypeCode, reflect.TypeFor[DeviceID](): TypeCode, reflect.TypeFor[SiteID](): TypeCode,
	reflect.TypeFor[MachineID](): TypeCode, reflect.TypeFor[StaffCode](): TypeCode,
	reflect.TypeFor[When](): TypeWhen, reflect.TypeFor[Digest](): TypeDigest, reflect.TypeFor[float64](): TypeFloat,
	reflect.TypeFor[int64](): TypeInt, reflect.TypeFor[Seq](): TypeInt, reflect.TypeFor[bool](): TypeBool,
	reflect.TypeFor[RecordID](): TypeVisit, reflect.TypeFor[Raw](): TypeRaw, reflect.TypeFor[Target](): TypeTarget,
	reflect.TypeFor[[]byte](): TypeBytes,
}

func schemaOf(t reflect.Type) *Schema {
	s := &Schema{typ: t}
	for i := range t.NumField() {
		sf := t.Field(i)
		name, need, _ := strings.Cut(sf.Tag.Get("f"), ",")
		f := Field{Name: name, Need: need == "need", index: i, Lo: math.Inf(-1), Hi: math.Inf(1)}
		ft := sf.Type
		known := false
		if f.Type, known = types[ft]; !known && ft.Kind() == reflect.Slice {
			f.List, ft = true, ft.Elem()
		}
		if ft.Kind() == reflect.Pointer {
			ft = ft.Elem()
		}
		if f.Type, known = types[ft]; !known {
			f.Type, f.Of = TypeObject, schemaOf(ft)
		}
		if f.Type == TypeTarget {
			f.Of = schemaOf(ft)
		}
		f.Bare = sf.Tag.Get("is") == "hash"
		f.unsigned = ft.Kind() == reflect.Uint64
		if words := sf.Tag.Get("in"); words != "" {
			f.Words = strings.Split(words, ",")
			if f.Words[len(f.Words)-1] == "…" {
				f.Words, f.Open = f.Words[:len(f.Words)-1], true
			}
		}
		for tag, bound := range map[string]*float64{"lo": &f.Lo, "hi": &f.Hi} {
			if text, ok := sf.Tag.Lookup(tag); ok {
				x, err := strconv.ParseFloat(text, 64)
				if err != nil {
					panic("events.schemaOf: " + t.Name() + "." + sf.Name + ": " + err.Error())
				}
				*bound = x
			}
		}
		switch {
		case name == "" || f.Type == TypeWord && len(f.Words) == 0 && !f.Open:
			panic("events.schemaOf: " + t.Name() + "." + sf.Name + " lacks a tag")
		case !f.List && !f.Need && sf.Type == ft && (f.Type == TypeFloat || f.Type == TypeInt || f.Type == TypeBool || f.Type == TypeObject):
			// Its zero value could not be told from a field that was not given.
			panic("events.schemaOf: " + t.Name() + "." + sf.Name + " is optional and no pointer")
		}
		s.Fields = append(s.Fields, f)
	}
	slices.SortFunc(s.Fields, func(a, b Field) int { return strings.Compare(a.Name, b.Name) })
	return s
}

func (s *Schema) names() string {
	var names []string
	for _, f := range s.Fields {
		names = append(names, f.Name)
	}
	return strings.Join(names, ", ")
}
