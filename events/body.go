package events

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
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
