package entry

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"strconv"
	"unicode/utf8"

	"ullage/events"
	"ullage/events/pack"
)

// Named is what can be said of a record that another one names.
type Named struct {
	ID   events.RecordID
	Kind events.Kind
	V    int
}

// Shower finds what a record only points at. What it does not find is shown as a digest, or as device/seq/hash.
type Shower interface {
	// Text finds a piece of evidence; a piece that is no text is shown by its digest.
	Text(events.Digest) (plain []byte, ok bool, err error)
	// ID finds the record of a target.
	ID(events.Target) (named Named, ok bool, err error)
}

// Bare is a Shower that finds nothing.
type Bare struct{}

// Text finds nothing.
func (Bare) Text(events.Digest) ([]byte, bool, error) { return nil, false, nil }

// ID finds nothing.
func (Bare) ID(events.Target) (Named, bool, error) { return Named{}, false, nil }

// Line writes a record as an entry line, without a line's end. Record reads it back to the same content: with the same
// texts, and its target, if it has one, wherever the line of that record came before it. Errors are those of show.
func Line(r *events.Record, show Shower) ([]byte, error) {
	b, err := line(r, show)
	if err == nil && len(b) > MaxLine {
		b, err = line(r, noTexts{show}) // texts that together are too long for a line
	}
	return b, err
}

type noTexts struct{ Shower }

func (noTexts) Text(events.Digest) ([]byte, bool, error) { return nil, false, nil }

func line(r *events.Record, show Shower) ([]byte, error) {
	w := shower{show: show, line: true}
	w.field("kind", string(r.Kind))
	w.field("done", r.Done.Format(r.Zone))
	w.field("site", string(r.Site))
	w.field("machine", string(r.Machine))
	if !r.Visit.IsZero() {
		w.field("visit", r.Visit.String())
	}
	w.field("by", string(r.By))
	w.field("key", r.Key)
	w.b = append(w.b, `,"body":`...)
	if err := w.body(r); err != nil {
		return nil, err
	}
	w.b = append(w.b, `,"record":`...)
	w.open = false
	w.field("id", r.ID.String())
	w.field("device", string(r.Device))
	for _, f := range [...]struct {
		name string
		u    uint64
	}{{"seq", uint64(r.Seq)}, {"clock", uint64(r.Clock)}, {"v", uint64(r.V)}} {
		w.name(f.name)
		w.b = strconv.AppendUint(w.b, f.u, 10)
	}
	return append(w.b, "}}"...), nil
}

// BodyJSON writes the body of a record as JSON for people and pages: fields by name in ascending order, numbers in
// their shortest form, a text where show finds it, else "evidence:<hex>", a target as the id of its record where show
// finds that, else as device/seq/hash. A body that this code cannot read is {"raw":"<base64>"}. Errors are those of
// show.
func BodyJSON(r *events.Record, show Shower) (json.RawMessage, error) {
	w := shower{show: show}
	err := w.body(r)
	return w.b, err
}

// shower appends JSON.
type shower struct {
	show Shower
	b    []byte
	line bool // for an entry line, which leaves out what is filled in when it is recorded
	open bool // an object has begun
}

func (w *shower) name(name string) {
	if w.open {
		w.b = append(w.b, ',')
	} else {
		w.b = append(w.b, '{')
	}
	w.open = true
	w.text(name)
	w.b = append(w.b, ':')
}

// field appends a field of text unless it is empty.
func (w *shower) field(name, text string) {
	if text != "" {
		w.name(name)
		w.text(text)
	}
}

func (w *shower) text(s string) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic("entry.text: " + err.Error()) // a string always has a form
	}
	w.b = append(w.b, bytes.TrimSuffix(b.Bytes(), []byte("\n"))...)
}

func (w *shower) raw(p []byte) {
	w.b = append(w.b, `{"raw":"`...)
	w.b = base64.StdEncoding.AppendEncode(w.b, p)
	w.b = append(w.b, `"}`...)
}

func (w *shower) body(r *events.Record) error {
	s, ok := events.SchemaOf(r.Kind, r.V)
	if !ok || s.CheckForm(r.Body) != nil {
		w.raw(r.Body)
		return nil
	}
	return w.object(s, pack.NewReader(r.Body), r.Body)
}

// object appends one object. It has been held to the form of s; whole is its bytes where it is a body.
func (w *shower) object(s *events.Schema, in *pack.Reader, whole []byte) error {
	correction := isCorrection(s)
	w.b = append(w.b, '{')
	first := true
	for n := in.Map(len(s.Fields)); n > 0; n-- {
		f := fieldNamed(s, in.String())
		if w.line && correction && f.Name == "over" {
			in.Skip(events.MaxDepth)
			continue
		}
		if !first {
			w.b = append(w.b, ',')
		}
		first = false
		w.text(f.Name)
		w.b = append(w.b, ':')
		var err error
		switch {
		case f.Type == events.TypeRaw:
			err = w.corrected(in.Skip(events.MaxDepth), whole)
		case !f.List:
			err = w.value(f, in)
		default:
			w.b = append(w.b, '[')
			for i := range in.Array(events.MaxList) {
				if i > 0 {
					w.b = append(w.b, ',')
				}
				if err = w.value(f, in); err != nil {
					return err
				}
			}
			w.b = append(w.b, ']')
		}
		if err != nil {
			return err
		}
	}
	w.b = append(w.b, '}')
	return nil
}

func (w *shower) value(f *events.Field, in *pack.Reader) error {
	switch f.Type {
	case events.TypeFloat:
		b, err := json.Marshal(in.Float())
		if err != nil {
			return err
		}
		w.b = append(w.b, b...)
	case events.TypeInt:
		if in.Next() == pack.Uint {
			w.b = strconv.AppendUint(w.b, in.Uint(), 10)
		} else {
			w.b = strconv.AppendInt(w.b, in.Int(), 10)
		}
	case events.TypeBool:
		w.b = strconv.AppendBool(w.b, in.Bool())
	case events.TypeDigest:
		d := events.Digest(in.Bin())
		if f.Bare {
			w.text(d.String())
			return nil
		}
		return w.digest(d)
	case events.TypeText:
		if in.Next() == pack.Bin {
			return w.digest(events.Digest(in.Bin()))
		}
		w.text(in.String())
	case events.TypeVisit:
		w.text(events.RecordID(in.Bin()).String())
	case events.TypeTarget:
		return w.target(readTarget(in))
	case events.TypeBytes:
		w.b = append(w.b, '"')
		w.b = base64.StdEncoding.AppendEncode(w.b, in.Bin())
		w.b = append(w.b, '"')
	case events.TypeObject:
		return w.object(f.Of, in, nil)
	default:
		w.text(in.String())
	}
	return nil
}

// digest appends the text that a digest stands for, where it is held, is a text, and cannot be taken for a digest.
func (w *shower) digest(d events.Digest) error {
	plain, ok, err := w.show.Text(d)
	if err != nil {
		return err
	}
	text := string(plain)
	if !ok || text == "" || len(text) > MaxPlain || !utf8.ValidString(text) || namesDigest(text) {
		text = FormatEvidence(d)
	}
	w.text(text)
	return nil
}

func readTarget(in *pack.Reader) events.Target {
	var t events.Target
	for range in.Map(3) {
		switch in.String() {
		case "device":
			t.Device = events.DeviceID(in.String())
		case "seq":
			t.Seq = events.Seq(in.Uint())
		case "hash":
			t.Hash = events.Hash(in.Bin())
		}
	}
	return t
}

func (w *shower) target(t events.Target) error {
	named, ok, err := w.show.ID(t)
	if err != nil {
		return err
	}
	if ok {
		w.text(named.ID.String())
	} else {
		w.text(FormatTarget(t))
	}
	return nil
}

// corrected appends the new body that a correction gives, by the kind of the record that it names.
func (w *shower) corrected(body, correction []byte) error {
	var t events.Target
	in := pack.NewReader(correction)
	for n := in.Map(len(correction)); n > 0; n-- {
		if in.String() != "target" {
			in.Skip(events.MaxDepth)
			continue
		}
		t = readTarget(in)
		break
	}
	named, ok, err := w.show.ID(t)
	if err != nil {
		return err
	}
	if !ok {
		w.raw(body)
		return nil
	}
	return w.body(&events.Record{Kind: named.Kind, V: named.V, Body: body})
}
