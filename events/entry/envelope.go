package entry

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"ullage/events"
)

// envelope is a line, read but for its body. Empty fields were not given.
type envelope struct {
	kind    events.Kind
	done    *done
	site    events.SiteID
	machine events.MachineID
	visit   visit
	by      events.StaffCode
	key     string
	body    *node
	old     events.RecordID // of the record that the line was exported from
}

type done struct {
	at   events.Millis
	zone int
}

// visit is a visit as a line names it: by a label of the call, or by its identifier. Both empty: none.
type visit struct {
	label string
	id    events.RecordID
}

// envelopeNames are the fields of a line; made are those of a record that no line gives.
var (
	envelopeNames = []string{"kind", "done", "site", "machine", "visit", "by", "key", "body", "record"}
	made          = []string{"id", "device", "seq", "clock", "zone", "v"}
)

// readEnvelope reads a line as an object. Errors are FieldErrors.
func readEnvelope(n *node) (envelope, error) {
	if n.is != isObject {
		return envelope{}, bad("", n.shown(), "%s stands here, a line is an object {…}", n.is)
	}
	var e envelope
	for i, name := range n.names {
		v := &n.values[i]
		if err := e.read(name, v); err != nil {
			return envelope{}, within(named(name), err)
		}
	}
	if e.kind == "" {
		return envelope{}, bad("kind", "", "must be given, such as %q", "reading.taken")
	}
	return e, nil
}

func (e *envelope) read(name string, v *node) error {
	switch {
	case slices.Contains(made, name):
		return bad("", v.shown(), "it is made when the line is recorded, and never taken from outside; leave it out")
	case !slices.Contains(envelopeNames, name):
		return bad("", v.shown(), "no such field; there are %s", strings.Join(envelopeNames, ", "))
	case v.is == isNull:
		return bad("", "null", "a field that is not known is left out")
	case name == "body":
		e.body = v
		return nil
	case name == "record":
		return e.readRecord(v)
	case v.is != isString:
		return bad("", v.shown(), "%s stands here, a text should", v.is)
	case v.text == "":
		return nil // counts as not given
	}
	var err error
	switch name {
	case "kind":
		e.kind = events.Kind(v.text)
	case "done":
		e.done, err = parseDone(v.text)
	case "site":
		e.site, err = events.SiteID(v.text), identifier(v.text)
	case "machine":
		e.machine, err = events.MachineID(v.text), identifier(v.text)
	case "by":
		e.by, err = events.StaffCode(v.text), identifier(v.text)
	case "visit":
		e.visit, err = parseVisit(v.text)
	case "key":
		if e.key = v.text; len(e.key) > events.MaxKey {
			err = bad("", quote(e.key), "%d bytes, a key may have 1 to %d", len(e.key), events.MaxKey)
		}
	}
	return err
}

// readRecord reads what an export says of the record that the line was made from. Only its id is looked at.
func (e *envelope) readRecord(v *node) error {
	if v.is != isObject {
		return bad("", v.shown(), "%s stands here, an object {…} should", v.is)
	}
	id := v.member("id")
	if id == nil {
		return nil
	}
	if id.is == isString {
		if old, err := events.ParseRecordID(id.text); err == nil {
			e.old = old
			return nil
		}
	}
	return bad("id", id.shown(), "a UUID should stand here")
}

func identifier(s string) error {
	if err := events.CheckIdentifier(s); err != nil {
		return bad("", quote(s), "1 to %d letters, digits, '-' and '_' should stand here", events.MaxIdentifier)
	}
	return nil
}

// parseDone reads a time with its zone.
func parseDone(s string) (*done, error) {
	var t time.Time
	if err := t.UnmarshalText([]byte(s)); err != nil {
		return nil, bad("", quote(s), "a time with its zone should stand here, such as 2026-03-02T09:05:00+01:00")
	}
	_, seconds := t.Zone()
	d := done{events.MillisOf(t), seconds / 60}
	if d.at < events.MinMillis || d.at > events.MaxMillis {
		return nil, bad("", quote(s), "a time in the years 1 to 9999 should stand here")
	}
	return &d, nil
}

// parseVisit reads a UUID or a label.
func parseVisit(s string) (visit, error) {
	if id, err := events.ParseRecordID(s); err == nil {
		if id.IsZero() {
			return visit{}, bad("", quote(s), "it names no visit; leave the field out, or give a label or a UUID")
		}
		return visit{id: id}, nil
	}
	if events.CheckIdentifier(s) != nil {
		return visit{}, bad("", quote(s), "a label (1 to %d letters, digits, '-' and '_') or the UUID of a visit should stand here", events.MaxIdentifier)
	}
	return visit{label: s}, nil
}

// schemaFor finds the form of the bodies of a kind, and whether this writer may write it.
func (w *Writer) schemaFor(kind events.Kind) (*events.Schema, error) {
	s, ok := events.SchemaOf(kind, events.Newest(kind))
	switch {
	case !ok:
		return nil, bad("kind", quote(string(kind)), "no such kind%s", nearest(kind))
	case s.Office && !w.Office:
		return nil, bad("kind", strconv.Quote(string(kind)), "it is the office's to write; record it there")
	}
	return s, nil
}

// nearest proposes the kinds that look most like one that we do not know.
func nearest(kind events.Kind) string {
	best, found := 4, []string(nil)
	for _, s := range events.Schemas() {
		d := distance(string(kind), string(s.Kind), best)
		if d < best {
			best, found = d, nil
		}
		if d == best && d < 4 && !slices.Contains(found, string(s.Kind)) {
			found = append(found, string(s.Kind))
		}
	}
	if noun, _, ok := strings.Cut(string(kind), "."); found == nil && ok {
		for _, s := range events.Schemas() {
			if strings.HasPrefix(string(s.Kind), noun+".") && !slices.Contains(found, string(s.Kind)) {
				found = append(found, string(s.Kind))
			}
		}
	}
	if found == nil {
		return "; a kind is noun.verb, such as reading.taken"
	}
	return "; is it " + strings.Join(found, " or ") + "?"
}

// distance counts the characters to put in, take out or change that make b out of a (Levenshtein), or returns most+1
// where the lengths alone say that it is more than most.
func distance(a, b string, most int) int {
	if d := len(a) - len(b); d > most || -d > most {
		return most + 1
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := before
			if a[i] != b[j] {
				change++
			}
			before = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
