package entry

import (
	"encoding/base64"
	"errors"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"ullage/events"
	"ullage/events/pack"
)

// evidencePrefix stands before the digest of a piece of evidence in JSON.
const evidencePrefix = "evidence:"

// FormatEvidence names a piece of evidence as lines do: "evidence:<hex>".
func FormatEvidence(d events.Digest) string { return evidencePrefix + d.String() }

// encoder makes the template of a body from JSON, by the schema of its kind.
type encoder struct {
	session *Session
	t       template
	target  *ref // what the field target of a correction names, and where that stands
	stands  *node
	given   *node // the body
}

// isCorrection tells whether s is a kind that puts another record right, by its target.
func isCorrection(s *events.Schema) bool {
	return s.Kind == events.KindAmended || s.Kind == events.KindWithdrawn || s.Kind == events.KindAdmitted
}

// fieldNamed finds a field of a schema; nil where there is none.
func fieldNamed(s *events.Schema, name string) *events.Field {
	i := sort.Search(len(s.Fields), func(i int) bool { return s.Fields[i].Name >= name })
	if i < len(s.Fields) && s.Fields[i].Name == name {
		return &s.Fields[i]
	}
	return nil
}

// body makes the template of a whole body; n is nil where the line gives none.
func (e *encoder) body(s *events.Schema, n *node) error {
	e.t.over = -1
	if n == nil {
		n = &node{is: isObject}
	}
	e.given = n
	return e.object(s, n, true)
}

// object appends one object; the header of the outermost is left to fill.
func (e *encoder) object(s *events.Schema, n *node, outermost bool) error {
	if n.is != isObject {
		return bad("", n.shown(), "%s stands here, an object {…} should", n.is)
	}
	correction := outermost && isCorrection(s)
	values := make([]*node, len(s.Fields))
	given := 0
	for i, name := range n.names {
		f := fieldNamed(s, name)
		v := &n.values[i]
		switch {
		case f == nil:
			return bad(named(name), v.shown(), "no such field; there are %s", names(s))
		case v.is == isNull:
			return bad(name, "null", "a field that is not known is left out")
		case correction && name == "over":
			return bad(name, v.shown(), "it is filled in when the line is recorded; leave it out")
		case v.is == isString && v.text == "" && f.Type != events.TypeFloat && f.Type != events.TypeInt && f.Type != events.TypeBool && !f.List,
			v.is == isList && len(v.values) == 0 && f.List:
			continue // counts as not given
		}
		values[slices.IndexFunc(s.Fields, func(f events.Field) bool { return f.Name == name })] = v
		given++
	}
	if correction {
		if err := e.findTarget(s, values); err != nil {
			return err
		}
	}
	if outermost {
		e.t.n = given
	} else {
		e.t.bytes = pack.AppendMap(e.t.bytes, given)
	}
	for i := range s.Fields {
		f := &s.Fields[i]
		if correction && f.Name == "over" {
			e.t.over = len(e.t.bytes)
		}
		if values[i] == nil {
			continue
		}
		e.t.bytes = pack.AppendString(e.t.bytes, f.Name)
		if err := e.field(f, values[i]); err != nil {
			return within(f.Name, err)
		}
	}
	return nil
}

// findTarget resolves the target of a correction before its other fields, which depend on it.
func (e *encoder) findTarget(s *events.Schema, values []*node) error {
	for i := range s.Fields {
		if s.Fields[i].Name == "target" && values[i] != nil {
			r, err := e.session.resolve(values[i])
			if err != nil {
				return within("target", err)
			}
			e.target, e.stands = &r, values[i]
		}
	}
	return nil
}

func names(s *events.Schema) string {
	if len(s.Fields) == 0 {
		return "none"
	}
	all := make([]string, len(s.Fields))
	for i := range s.Fields {
		all[i] = s.Fields[i].Name
	}
	return strings.Join(all, ", ")
}

func (e *encoder) field(f *events.Field, n *node) error {
	if !f.List {
		return e.value(f, n)
	}
	if n.is != isList {
		return bad("", n.shown(), "%s stands here, a list […] should", n.is)
	}
	if len(n.values) > events.MaxList {
		return bad("", strconv.Itoa(len(n.values))+" elements", "a list may have at most %d", events.MaxList)
	}
	e.t.bytes = pack.AppendArray(e.t.bytes, len(n.values))
	for i := range n.values {
		v := &n.values[i]
		var err error
		switch {
		case v.is == isNull:
			err = bad("", "null", "an element that is not known is left out")
		case v.is == isString && v.text == "":
			err = bad("", `""`, "an empty text is left out")
		default:
			err = e.value(f, v)
		}
		if err != nil {
			return within("["+strconv.Itoa(i+1)+"]", err)
		}
	}
	return nil
}

// wants says how a value of a type stands in JSON.
func wants(t events.Type) kindOf {
	switch t {
	case events.TypeFloat, events.TypeInt:
		return isNumber
	case events.TypeBool:
		return isBool
	case events.TypeObject, events.TypeRaw:
		return isObject
	}
	return isString
}

func (e *encoder) value(f *events.Field, n *node) error {
	if want := wants(f.Type); n.is != want {
		return bad("", n.shown(), "%s stands here, %s should", n.is, want)
	}
	b := e.t.bytes
	switch f.Type {
	case events.TypeFloat:
		x, err := strconv.ParseFloat(n.text, 64)
		if err != nil || math.IsInf(x, 0) {
			return bad("", n.text, "too large: a number must be finite")
		}
		b = pack.AppendFloat(b, x)
	case events.TypeInt:
		i, err := strconv.ParseInt(n.text, 10, 64)
		u, large := strconv.ParseUint(n.text, 10, 64) // the number of a record
		switch {
		case err == nil:
			b = pack.AppendInt(b, i)
		case large == nil:
			b = pack.AppendUint(b, u)
		case errors.Is(err, strconv.ErrRange):
			return bad("", n.text, "too large: a whole number goes up to %d", int64(math.MaxInt64))
		default:
			return bad("", n.text, "a whole number, without point or exponent, should stand here")
		}
	case events.TypeBool:
		b = pack.AppendBool(b, n.text == "true")
	case events.TypeText:
		if utf8.RuneCountInString(n.text) <= events.MaxText && !namesDigest(n.text) {
			b = pack.AppendString(b, n.text)
			break
		}
		return e.evidence(n.text)
	case events.TypeDigest:
		if !f.Bare {
			return e.evidence(n.text)
		}
		h, err := events.ParseHash(n.text)
		if err != nil {
			return bad("", quote(n.text), "a hash, in 64 lower-case hexadecimal digits, should stand here")
		}
		b = pack.AppendBin(b, h[:])
	case events.TypeVisit:
		return e.visit(n.text)
	case events.TypeTarget:
		return e.reference(f, n)
	case events.TypeRaw:
		return e.corrected(n)
	case events.TypeBytes:
		p, err := base64.StdEncoding.Strict().DecodeString(n.text)
		if err != nil {
			return bad("", quote(n.text), "base64 with padding should stand here")
		}
		b = pack.AppendBin(b, p)
	case events.TypeObject:
		return e.object(f.Of, n, false)
	case events.TypeString:
		return e.short(n.text)
	default:
		b = pack.AppendString(b, n.text)
	}
	e.t.bytes = b
	return nil
}

// short appends a short text. One that is the id of an exported record (what a photo is about) follows that record.
func (e *encoder) short(text string) error {
	if id, err := events.ParseRecordID(text); err == nil {
		o, ok := e.session.old[id]
		if ok && o.item != nil {
			e.t.hole(hole{what: holeID, item: o.item})
			return nil
		}
		if ok {
			text = o.id.String()
		}
	}
	e.t.bytes = pack.AppendString(e.t.bytes, text)
	return nil
}

// namesDigest tells whether a text stands for a piece of evidence: "evidence:" and 64 hexadecimal digits.
func namesDigest(text string) bool {
	digits, ok := strings.CutPrefix(text, evidencePrefix)
	return ok && len(digits) == 2*len(events.Digest{}) && strings.Trim(digits, "0123456789abcdefABCDEF") == ""
}

// evidence appends the digest that a text names, or a hole for that of the text itself.
func (e *encoder) evidence(text string) error {
	if namesDigest(text) {
		d, err := events.ParseHash(text[len(evidencePrefix):])
		if err != nil || d.IsZero() {
			return bad("", quote(text), "after %q the 64 lower-case hexadecimal digits of a digest should stand", evidencePrefix)
		}
		e.t.bytes = pack.AppendBin(e.t.bytes, d[:])
		return nil
	}
	if len(text) > MaxPlain {
		return bad("", quote(text), "%d bytes; a text may have at most %d", len(text), MaxPlain)
	}
	e.t.bytes = pack.AppendBinHeader(e.t.bytes, len(events.Digest{}))
	e.t.hole(hole{what: holeText, text: text})
	return nil
}

// visit appends a visit's identifier, or a hole for what a label will be bound to.
func (e *encoder) visit(text string) error {
	v, err := parseVisit(text)
	if err != nil {
		return err
	}
	e.t.bytes = pack.AppendBinHeader(e.t.bytes, len(v.id))
	if v.label == "" {
		e.t.bytes = append(e.t.bytes, v.id[:]...)
	} else {
		e.t.hole(hole{what: holeVisit, text: v.label})
	}
	return nil
}

// reference appends a target: what it names, or holes for an earlier line of this call.
func (e *encoder) reference(f *events.Field, n *node) error {
	r := e.target
	if n != e.stands {
		found, err := e.session.resolve(n)
		if err != nil {
			return err
		}
		r = &found
	}
	e.t.bytes = pack.AppendMap(e.t.bytes, len(f.Of.Fields))
	for i := range f.Of.Fields {
		name := f.Of.Fields[i].Name
		b := pack.AppendString(e.t.bytes, name)
		switch name {
		case "device":
			b = pack.AppendString(b, string(r.target.Device))
		case "seq":
			if r.item == nil {
				b = pack.AppendUint(b, uint64(r.target.Seq))
			}
		case "hash":
			b = pack.AppendBinHeader(b, len(r.target.Hash))
			if r.item == nil {
				b = append(b, r.target.Hash[:]...)
			}
		default:
			panic("entry.reference: " + name)
		}
		e.t.bytes = b
		switch {
		case r.item == nil:
		case name == "seq":
			e.t.hole(hole{what: holeSeq, item: r.item})
		case name == "hash":
			e.t.hole(hole{what: holeHash, item: r.item})
		}
	}
	return nil
}

// corrected appends the new body of the record that a correction names.
func (e *encoder) corrected(n *node) error {
	if e.target == nil {
		return bad("", n.shown(), "it cannot be read without the target")
	}
	r := e.target.record()
	if r == nil {
		return bad("", n.shown(), "it cannot be read: the record that the target names is not held here, hence its kind is not known; name one by its id")
	}
	s, ok := events.SchemaOf(r.Kind, r.V)
	if !ok {
		return bad("", n.shown(), "it cannot be read: the target's kind, %s in version %d, is not known here", r.Kind, r.V)
	}
	return e.object(s, n, false)
}
