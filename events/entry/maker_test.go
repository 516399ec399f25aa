package entry

import (
	"errors"
	"math"
	"strconv"
	"strings"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/pack"
	"ullage/events/unit"
)

// maker makes random valid bodies of any kind, by its schema: a body of random values, which is then mended where the
// rules of the kind find fault with it. It writes MessagePack by itself, not through the code under test.
type maker struct {
	t       *rapid.T
	r       *rig
	targets []events.Target
}

// tree is an object; its values are float64, int64, bool, string, events.Digest, events.RecordID, events.Target,
// rawBody, []byte, []any, tree.
type tree map[string]any

type rawBody []byte

func (m *maker) body(s *events.Schema) []byte {
	var err error
	var tr tree
	for i := range 1000 {
		if i%20 == 0 { // not all can be mended field by field
			tr = m.object(s)
		}
		b := appendTree(nil, s, tr)
		var body events.Body
		if body, err = events.DecodeBody(s.Kind, s.V, b); err == nil {
			if err = events.Check(body); err == nil {
				return b
			}
		}
		m.mend(s, tr, err)
	}
	m.t.Fatalf("no valid %s could be made: %v", s.Kind, err)
	return nil
}

func (m *maker) object(s *events.Schema) tree {
	tr := tree{}
	for i := range s.Fields {
		f := &s.Fields[i]
		if f.Need || rapid.Bool().Draw(m.t, "give "+f.Name) {
			m.give(s, tr, f)
		}
	}
	return tr
}

// give gives a field a value; over is filled by the writer, and so never given.
func (m *maker) give(s *events.Schema, tr tree, f *events.Field) {
	if f.Name == "over" {
		return
	}
	if f.Type == events.TypeRaw {
		target := rapid.SampledFrom(m.targets).Draw(m.t, "target")
		of, err := events.DecodeRecord(m.r.journal.records[target.Seq-1])
		if err != nil {
			panic(err)
		}
		inner, _ := events.SchemaOf(of.Kind, of.V)
		tr["target"], tr[f.Name] = target, rawBody(m.body(inner))
		return
	}
	if f.Name == "target" && tr["body"] != nil {
		return // the one that the body is of
	}
	if !f.List {
		tr[f.Name] = m.value(s, f)
		return
	}
	var list []any
	for range rapid.IntRange(1, 3).Draw(m.t, "length of "+f.Name) {
		list = append(list, m.value(s, f))
	}
	tr[f.Name] = list
}

var texts = rapid.OneOf(rapid.StringN(1, events.MaxText, -1), rapid.StringMatching(`[a-z \\"<>&\n]{1,80}`), rapid.Just("evidence:12"))

var codes = rapid.OneOf(rapid.StringMatching(`[A-Za-z0-9-][A-Za-z0-9_-]{0,7}`), rapid.Just("bath"))

var whens = rapid.SampledFrom([]events.When{"2026-03-02", "2026-03-02T09:05:00Z", "2025-12-31T23:59:59.5+13:45", "2030-01-01"})

func (m *maker) value(s *events.Schema, f *events.Field) any {
	switch f.Type {
	case events.TypeString:
		switch f.Name {
		case "unit", "per":
			return rapid.SampledFrom(unit.Codes()).Draw(m.t, f.Name)
		case "currency":
			return "EUR"
		case "zone":
			return "Europe/Vienna"
		case "lang":
			return "de-AT"
		}
		return texts.Draw(m.t, f.Name)
	case events.TypeText:
		if rapid.Bool().Draw(m.t, "short") {
			return texts.Draw(m.t, f.Name)
		}
		return m.digest(f.Name)
	case events.TypeWord:
		if f.Open && rapid.Bool().Draw(m.t, "open") {
			return rapid.StringMatching(`[a-z-]{1,12}`).Draw(m.t, f.Name)
		}
		return rapid.SampledFrom(f.Words).Draw(m.t, f.Name)
	case events.TypeCode:
		return codes.Draw(m.t, f.Name)
	case events.TypeWhen:
		return string(whens.Draw(m.t, f.Name))
	case events.TypeDigest:
		if f.Bare {
			return events.Digest(bytesN(m.t, 32))
		}
		return m.digest(f.Name)
	case events.TypeFloat:
		lo, hi := max(f.Lo, -1e12), min(f.Hi, 1e12)
		return rapid.OneOf(rapid.Float64Range(lo, hi), rapid.Just(lo), rapid.Just(hi), rapid.Just(max(lo, 0)),
			rapid.Map(rapid.IntRange(0, 40), func(i int) float64 { return min(max(float64(i)/4, lo), hi) })).Draw(m.t, f.Name)
	case events.TypeInt:
		lo, hi := int64(max(f.Lo, -1000)), int64(math.MaxInt64)
		if f.Name == "seq" || f.Name == "from" || f.Name == "to" {
			lo = 1
		}
		if f.Hi < math.MaxInt64 {
			hi = int64(f.Hi)
		}
		return rapid.OneOf(rapid.Int64Range(lo, hi), rapid.Int64Range(lo, min(hi, lo+2000))).Draw(m.t, f.Name)
	case events.TypeBool:
		return rapid.Bool().Draw(m.t, f.Name)
	case events.TypeVisit:
		return events.RecordID(bytesN(m.t, 16))
	case events.TypeTarget:
		if rapid.Bool().Draw(m.t, "held") {
			return rapid.SampledFrom(m.targets).Draw(m.t, f.Name)
		}
		return events.Target{Device: "far-1", Seq: events.Seq(rapid.Uint64Range(1, math.MaxUint64).Draw(m.t, "seq")), Hash: events.Hash(bytesN(m.t, 32))}
	case events.TypeBytes:
		return bytesN(m.t, 32)
	case events.TypeObject:
		return m.object(f.Of)
	}
	panic("no value for " + string(s.Kind) + "." + f.Name)
}

// bytesN draws bytes that are not all zero.
func bytesN(t *rapid.T, n int) []byte {
	b := rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "bytes")
	b[0] |= 1
	return b
}

// digest names a piece: one that is held and is a text, one that is held and is none, or one that is not held.
func (m *maker) digest(name string) events.Digest {
	plain := []byte(rapid.OneOf(texts, rapid.Just(long), rapid.Just(strings.Repeat("\x01", 200)), rapid.Just("\xff\xd8\xff"), rapid.Just(evidencePrefix+strings.Repeat("9", 64)), rapid.Just("")).Draw(m.t, name))
	if len(plain) == 0 {
		return events.Digest(bytesN(m.t, 32))
	}
	d, err := m.r.pieces.Keep(plain)
	if err != nil {
		panic(err)
	}
	return d
}

// mend changes what an error names: drops it, draws it again, or gives it.
func (m *maker) mend(s *events.Schema, tr tree, err error) {
	var f *events.FieldError
	if !errors.As(err, &f) {
		m.t.Fatalf("%v", err)
	}
	path := f.Path
	for {
		name, rest, nested := strings.Cut(path, ".")
		name, index, listed := strings.Cut(name, "[")
		field := fieldOfSchema(s, name)
		if field == nil {
			m.t.Fatalf("%s: no field %s for %v", s.Kind, f.Path, err)
		}
		var inner any = tr[name]
		if listed && inner != nil {
			i, _ := strconv.Atoi(strings.TrimSuffix(index, "]"))
			inner = inner.([]any)[i-1]
		}
		if next, ok := inner.(tree); ok && nested {
			s, tr, path = field.Of, next, rest
			continue
		}
		if _, given := tr[name]; given && (!field.Need || listed) && rapid.Bool().Draw(m.t, "drop "+f.Path) {
			delete(tr, name)
		} else {
			m.give(s, tr, field)
		}
		return
	}
}

func fieldOfSchema(s *events.Schema, name string) *events.Field {
	for i := range s.Fields {
		if s.Fields[i].Name == name {
			return &s.Fields[i]
		}
	}
	return nil
}

func appendTree(b []byte, s *events.Schema, tr tree) []byte {
	b = pack.AppendMap(b, len(tr))
	for i := range s.Fields { // in ascending order
		f := &s.Fields[i]
		v, ok := tr[f.Name]
		if !ok {
			continue
		}
		b = pack.AppendString(b, f.Name)
		list, ok := v.([]any)
		if !ok {
			b = appendValue(b, f, v)
			continue
		}
		b = pack.AppendArray(b, len(list))
		for _, v := range list {
			b = appendValue(b, f, v)
		}
	}
	return b
}

func appendValue(b []byte, f *events.Field, v any) []byte {
	switch v := v.(type) {
	case float64:
		return pack.AppendFloat(b, v)
	case int64:
		return pack.AppendInt(b, v)
	case bool:
		return pack.AppendBool(b, v)
	case string:
		return pack.AppendString(b, v)
	case []byte:
		return pack.AppendBin(b, v)
	case rawBody:
		return append(b, v...)
	case events.Digest:
		return pack.AppendBin(b, v[:])
	case events.RecordID:
		return pack.AppendBin(b, v[:])
	case events.Target:
		b = pack.AppendString(pack.AppendString(pack.AppendMap(b, 3), "device"), string(v.Device))
		b = pack.AppendBin(pack.AppendString(b, "hash"), v.Hash[:])
		return pack.AppendUint(pack.AppendString(b, "seq"), uint64(v.Seq))
	case tree:
		return appendTree(b, f.Of, v)
	}
	panic("appendValue")
}
