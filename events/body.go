package events

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ullage/events/pack"
)

// ErrUnknownKind is returned for a kind, or a version of it, that this code does not know. Such a record is kept,
// passed on and shown raw.
var ErrUnknownKind = errors.New("unknown kind or version")

// Limits of a body.
const (
	MaxDepth = 8   // of nested maps and lists
	MaxText  = 80  // characters of a short text; a longer one is evidence
	MaxList  = 512 // elements of a list
)

// A body is a pointer to a struct, one type a kind and version. The struct's fields carry tags:
//
//	f    the field's name in the body; ",need" after it where the field must be given
//	in   the words of a list: "a,b,c" is closed; "a,b,…" is open
//	lo   the least value that makes sense
//	hi   the greatest
//	is   "hash" for a Hash that stands for no evidence: a link, a root, the sum of a file
//
// and their Go types tell the form, as Type lists; a slice of one is a list. A field that was not given is left out of
// the bytes: optional numbers, truth values and objects are pointers, and an empty string, list or hash counts as not
// given. A rule across fields is the type's method check.
type Body interface{ Kind() Kind }

// Types of fields.
type (
	// Word is one of the words of a list (tag in).
	Word string
	// Code is a code that people gave to a thing: a tank, vessel, part, product, instrument. It has the form of an identifier.
	Code string
	// When is a time or a day as given: RFC 3339 with zone, or a date.
	When string
	// Digest stands for a piece of evidence: SHA-256(salt | bytes).
	Digest = Hash
	// Raw is a whole body of another kind, in its canonical form.
	Raw []byte
)

// Text is a short text, or the digest of a longer one that is kept as evidence.
type Text struct {
	Plain  string
	Digest Digest
}

// IsZero tells whether no text was given.
func (t Text) IsZero() bool { return t.Plain == "" && t.Digest.IsZero() }

// Target names a record: where it stands and what it is.
type Target struct {
	Device DeviceID `f:"device,need"`
	Seq    Seq      `f:"seq,need"`
	Hash   Hash     `f:"hash,need"`
}

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

// FieldError says which field of a body is not as it should be. Path has the names from the outside in, with places in
// lists counted from 1: "tanks[2].shape".
type FieldError struct {
	Path  string
	Value string // what stands there, as text; empty where nothing does
	Want  string // what would be right
}

func (e *FieldError) Error() string {
	if e.Value == "" {
		return e.Path + ": " + e.Want
	}
	return fmt.Sprintf("%s: %s: %s", e.Path, e.Value, e.Want)
}

// EncodeBody writes a body in its canonical form. Its inverse is DecodeBody.
func EncodeBody(b Body) ([]byte, error) {
	v := reflect.ValueOf(b).Elem()
	s, ok := SchemaOf(b.Kind(), Newest(b.Kind()))
	if !ok || s.typ != v.Type() {
		return nil, fmt.Errorf("%w: %s", ErrUnknownKind, b.Kind())
	}
	out, err := s.append(nil, v)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Kind(), err)
	}
	// One reader holds every body to its form, whoever wrote it.
	if err := s.CheckForm(out); err != nil {
		return nil, fmt.Errorf("%s: %w", b.Kind(), err)
	}
	return out, nil
}

func (s *Schema) append(b []byte, v reflect.Value) ([]byte, error) {
	n := 0
	for i := range s.Fields {
		if s.Fields[i].given(v) {
			n++
		}
	}
	b = pack.AppendMap(b, n)
	var err error
	for i := range s.Fields {
		f := &s.Fields[i]
		if !f.given(v) {
			continue
		}
		b = pack.AppendString(b, f.Name)
		x := v.Field(f.index)
		if !f.List {
			if b, err = f.append(b, x); err != nil {
				return nil, err
			}
			continue
		}
		b = pack.AppendArray(b, x.Len())
		for j := range x.Len() {
			if b, err = f.append(b, x.Index(j)); err != nil {
				return nil, err
			}
		}
	}
	return b, nil
}

func (f *Field) given(v reflect.Value) bool {
	x := v.Field(f.index)
	switch {
	case x.Kind() == reflect.Slice:
		return x.Len() > 0
	case f.Need && x.Kind() != reflect.Pointer && (f.Type == TypeFloat || f.Type == TypeInt && !f.unsigned || f.Type == TypeBool || f.Type == TypeObject):
		return true // its zero is a value
	}
	return !x.IsZero()
}

func (f *Field) append(b []byte, v reflect.Value) ([]byte, error) {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	switch f.Type {
	case TypeFloat:
		x := v.Float()
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, &FieldError{f.Name, fmt.Sprint(x), "a number must be finite"}
		}
		return pack.AppendFloat(b, x), nil
	case TypeInt:
		if v.CanUint() {
			return pack.AppendUint(b, v.Uint()), nil
		}
		return pack.AppendInt(b, v.Int()), nil
	case TypeBool:
		return pack.AppendBool(b, v.Bool()), nil
	case TypeDigest, TypeVisit:
		p := make([]byte, v.Len())
		reflect.Copy(reflect.ValueOf(p), v)
		return pack.AppendBin(b, p), nil
	case TypeText:
		t := v.Interface().(Text)
		if t.Plain == "" {
			return pack.AppendBin(b, t.Digest[:]), nil
		}
		return pack.AppendString(b, t.Plain), nil
	case TypeRaw:
		return append(b, v.Bytes()...), nil
	case TypeBytes:
		return pack.AppendBin(b, v.Bytes()), nil
	case TypeTarget, TypeObject:
		return f.Of.append(b, v)
	}
	return pack.AppendString(b, v.String()), nil
}

// DecodeBody reads the body of a record of that kind and version. Its inverse is EncodeBody. The body shares memory
// with b where it holds Raw or bytes. Words and ranges are not judged: Check does that.
//
// Errors: ErrUnknownKind; a FieldError, wrapped; pack.ErrForm, wrapped, where the bytes are not canonical.
func DecodeBody(kind Kind, v int, b []byte) (Body, error) {
	s, ok := SchemaOf(kind, v)
	if !ok {
		return nil, fmt.Errorf("%w: %s, version %d", ErrUnknownKind, kind, v)
	}
	p := reflect.New(s.typ)
	in := pack.NewReader(b)
	err := s.read(in, p.Elem())
	if err == nil {
		err = in.Done()
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", kind, err)
	}
	return p.Interface().(Body), nil
}

// CheckForm holds the bytes of a body to the form of its kind without building it. Errors as DecodeBody's.
func (s *Schema) CheckForm(b []byte) error {
	var in pack.Reader
	in.Reset(b)
	if err := s.read(&in, reflect.Value{}); err != nil {
		return err
	}
	return in.Done()
}

// read reads one map into v, or only checks it where v is the zero Value.
func (s *Schema) read(in *pack.Reader, v reflect.Value) error {
	n := in.Map(len(s.Fields) + 1)
	var keys pack.Keys
	next := 0 // the first field that can still come: fields and keys ascend alike
	for ; n > 0; n-- {
		key := keys.Next(in)
		if in.Err() != nil {
			return in.Err()
		}
		for next < len(s.Fields) && s.Fields[next].Name < string(key) {
			if s.Fields[next].Need {
				return &FieldError{s.Fields[next].Name, "", "must be given"}
			}
			next++
		}
		if next == len(s.Fields) || s.Fields[next].Name != string(key) {
			return &FieldError{string(key), "", "no such field; there are " + s.names()}
		}
		f := &s.Fields[next]
		next++
		var x reflect.Value
		if v.IsValid() {
			x = v.Field(f.index)
		}
		if !f.List {
			if err := f.read(in, x); err != nil {
				return within(f.Name, err)
			}
			continue
		}
		m := in.Array(MaxList)
		if in.Err() != nil {
			return within(f.Name, in.Err())
		}
		if m == 0 {
			return &FieldError{f.Name, "", "an empty list is left out"}
		}
		if x.IsValid() {
			x.Set(reflect.MakeSlice(x.Type(), m, m))
		}
		for j := range m {
			var e reflect.Value
			if x.IsValid() {
				e = x.Index(j)
			}
			if err := f.read(in, e); err != nil {
				return within(fmt.Sprintf("%s[%d]", f.Name, j+1), err)
			}
		}
	}
	for ; next < len(s.Fields); next++ {
		if s.Fields[next].Need && in.Err() == nil {
			return &FieldError{s.Fields[next].Name, "", "must be given"}
		}
	}
	return in.Err()
}

func (s *Schema) names() string {
	var names []string
	for _, f := range s.Fields {
		names = append(names, f.Name)
	}
	return strings.Join(names, ", ")
}

// within puts a name before the path of a FieldError, and before any other error.
func within(name string, err error) error {
	var f *FieldError
	switch {
	case errors.As(err, &f):
		path := f.Path
		switch {
		case path == "":
			path = name
		case path[0] != '[':
			path = name + "." + path
		default:
			path = name + path
		}
		return &FieldError{path, f.Value, f.Want}
	default:
		return fmt.Errorf("%s: %w", name, err)
	}
}

// read reads one value into v, or only checks it where v is the zero Value.
func (f *Field) read(in *pack.Reader, v reflect.Value) error {
	if v.IsValid() && v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	set := v.IsValid()
	switch f.Type {
	case TypeFloat:
		if x := in.Float(); set {
			v.SetFloat(x)
		}
	case TypeInt:
		if f.unsigned {
			x := in.Uint()
			if in.Err() == nil && x == 0 {
				return &FieldError{"", "0", "numbers of records begin with 1"}
			}
			if set {
				v.SetUint(x)
			}
			break
		}
		if x := in.Int(); set {
			v.SetInt(x)
		}
	case TypeBool:
		if x := in.Bool(); set {
			v.SetBool(x)
		}
	case TypeDigest, TypeVisit:
		want := 32
		if f.Type == TypeVisit {
			want = 16
		}
		p := in.Bin()
		if in.Err() == nil {
			if err := formBin(p, want); err != nil {
				return err
			}
		}
		if set {
			reflect.Copy(v, reflect.ValueOf(p))
		}
	case TypeText:
		if in.Next() == pack.Bin {
			p := in.Bin()
			if in.Err() == nil {
				if err := formBin(p, len(Digest{})); err != nil {
					return err
				}
				if set {
					v.Set(reflect.ValueOf(Text{Digest: Digest(p)}))
				}
			}
			break
		}
		p := in.StringBytes()
		if in.Err() != nil {
			return in.Err()
		}
		if err := formString(TypeString, p); err != nil {
			return err
		}
		if set {
			v.Set(reflect.ValueOf(Text{Plain: string(p)}))
		}
	case TypeRaw:
		if in.Next() != pack.Map {
			in.Failf("a body is a map")
		}
		if p := in.Skip(MaxDepth - 1); set {
			v.SetBytes(p)
		}
	case TypeBytes:
		p := in.Bin()
		if in.Err() == nil && len(p) == 0 {
			return &FieldError{"", "", "an empty binary is left out"}
		}
		if set {
			v.SetBytes(p)
		}
	case TypeTarget, TypeObject:
		return f.Of.read(in, v)
	default:
		p := in.StringBytes()
		if in.Err() != nil {
			return in.Err()
		}
		if err := formString(f.Type, p); err != nil {
			return err
		}
		if set {
			v.SetString(string(p))
		}
	}
	return in.Err()
}

// formBin holds a digest or a visit to its length. One of zeros would stand for none, and none is left out.
func formBin(p []byte, want int) error {
	if len(p) != want {
		return &FieldError{"", "", fmt.Sprintf("%d bytes stand here, not %d", len(p), want)}
	}
	for _, c := range p {
		if c != 0 {
			return nil
		}
	}
	return &FieldError{"", "", "all bytes are zero: what is not given is left out"}
}

// formString holds a text to the form of its type.
func formString(t Type, p []byte) error {
	if len(p) == 0 {
		return &FieldError{"", "", "an empty text is left out"}
	}
	switch t {
	case TypeCode:
		if err := CheckIdentifier(string(p)); err != nil {
			return &FieldError{"", strconv.Quote(string(p)), err.Error()}
		}
	case TypeWhen:
		if _, err := ParseWhen(string(p)); err != nil {
			return &FieldError{"", strconv.Quote(string(p)), err.Error()}
		}
	default:
		if !utf8.Valid(p) {
			return &FieldError{"", "", "a text must be valid UTF-8"}
		}
		if n := utf8.RuneCount(p); n > MaxText {
			return &FieldError{"", "", fmt.Sprintf("%d characters, at most %d are allowed", n, MaxText)}
		}
	}
	return nil
}

var errWhen = errors.New("not a time (2026-03-02T09:05:00+01:00) and not a date (2026-03-02)")

// ParseWhen reads RFC 3339 with zone and at most nine digits after the second, or a date, which stands for its first
// moment in UTC; the years 1 to 9999.
func ParseWhen(s string) (time.Time, error) {
	layout := time.RFC3339
	if len(s) == len(time.DateOnly) {
		layout = time.DateOnly
	}
	// time.Parse takes more than RFC 3339 has: hours of one digit, a comma before the fraction, a zone of +24:60.
	t, err := time.Parse(layout, s)
	if err != nil || !whenShape(s) || MillisOf(t) < MinMillis || MillisOf(t) > MaxMillis {
		return time.Time{}, errWhen
	}
	return t, nil
}

// whenShape tells whether every character of a time or a date stands at its place.
func whenShape(s string) bool {
	fits := func(shape string) bool {
		if len(s) < len(shape) {
			return false
		}
		for i, c := range []byte(shape) {
			if d := s[i]; c == '0' && (d < '0' || d > '9') || c != '0' && c != d {
				return false
			}
		}
		s = s[len(shape):]
		return true
	}
	if !fits("0000-00-00") {
		return false
	}
	if s == "" {
		return true
	}
	if !fits("T00:00:00") {
		return false
	}
	if strings.HasPrefix(s, ".") {
		digits := 0
		for s = s[1:]; fits("0"); {
			digits++
		}
		if digits < 1 || digits > 9 {
			return false
		}
	}
	if s == "Z" {
		return true
	}
	zone := strings.TrimLeft(s, "+-")
	return len(s) == len("+00:00") && len(zone) == len("00:00") && zone[:2] <= "23" && zone[3:] <= "59"
}

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
