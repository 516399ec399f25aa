package office

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
)

// record is a line of the list of records.
type record struct {
	Anchor                      string
	Happened, Written, Received *stamp
	Kind, Device, By            string
	State                       string
	Off                         bool // it does not count as it was written
	Stage                       string
	Notes                       []note
	Content                     []pair
}

// note is a remark about a record; Link leads to another record of the page.
type note struct{ Text, Link string }

// pair is a name and a value.
type pair struct{ Name, Value string }

func (c *clock) records(list audit.List, on events.MachineID) []record {
	names := map[string]string{}
	for _, r := range list.Records {
		names[r.ID] = string(r.Device) + " " + strconv.FormatUint(uint64(r.Seq), 10)
	}
	all := make([]record, 0, len(list.Records))
	for _, r := range list.Records {
		happened, written := c.stamp(r.Done), c.stamp(r.Written)
		x := record{
			Anchor: r.ID, Happened: &happened, Written: &written, Kind: kindName(r.Kind), Device: names[r.ID], By: string(r.By),
			State: string(r.State), Off: r.State != projections.Stands, Stage: string(r.Stage), Content: content(r.Body),
		}
		if r.Received != nil {
			received := c.stamp(*r.Received)
			x.Received = &received
		}
		if r.Machine != "" && r.Machine != on {
			x.Notes = append(x.Notes, note{Text: "written on " + string(r.Machine)})
		}
		if r.Held != "" {
			x.Notes = append(x.Notes, note{Text: r.Held})
		}
		for _, f := range r.Flags {
			text := flagName(f)
			if f == projections.ClockOff {
				text = c.inFact(r)
			}
			x.Notes = append(x.Notes, note{Text: text})
		}
		for _, e := range r.Erased {
			x.Notes = append(x.Notes, note{Text: fmt.Sprintf("evidence %s erased on %s by %s: %s", short(e.Evidence), c.stamp(e.On).Text, e.By, e.Ground)})
		}
		for _, id := range r.CorrectedBy {
			if name, ok := names[id]; ok {
				x.Notes = append(x.Notes, note{"put right by " + name, id})
			}
		}
		if name, ok := names[r.Target]; ok {
			x.Notes = append(x.Notes, note{"about " + name, r.Target})
		}
		all = append(all, x)
	}
	return all
}

func kindName(k events.Kind) string { return strings.Replace(string(k), ".", " ", 1) }

func flagName(f projections.Flag) string {
	switch f {
	case projections.InFuture:
		return "stated for a time after it was received"
	case projections.NotOnRegister:
		return "not on the register at that time"
	case projections.NotStarted:
		return "from or to a vessel that was never started"
	case projections.OddMeaning:
		return "has a word or a value that it should not"
	case projections.NotOrdered:
		return "has erased what the office has not ordered to be"
	case projections.UnknownKind:
		return "of a kind that this version does not know"
	case projections.NotOfLog:
		return "a checkpoint that the public log never had"
	}
	return string(f)
}

// inFact says when a record was written by a clock that cannot be right.
func (c *clock) inFact(r audit.Row) string {
	text := "the clock cannot have been right: "
	if r.Offset != nil && r.Likely != nil {
		text = "the clock was " + wrong(*r.Offset) + ": "
		if r.Measured == "after" {
			text = "the clock was " + wrong(*r.Offset) + ", as measured later: "
		}
	}
	switch {
	case r.NotAfter == nil:
		text += "written after " + c.stamp(*r.NotBefore).Text
	case r.NotBefore == nil:
		text += "written by " + c.stamp(*r.NotAfter).Text + " at the latest"
	default:
		text += "written between " + c.stamp(*r.NotBefore).Text + " and " + c.stamp(*r.NotAfter).Text
	}
	if r.Likely != nil {
		text += ", likely " + c.stamp(*r.Likely).Text
	}
	return text
}

// wrong says by how much a clock with that offset is slow or fast.
func wrong(offset events.Millis) string {
	word := "slow"
	if offset < 0 {
		offset, word = -offset, "fast"
	}
	for _, unit := range []struct {
		name   string
		millis events.Millis
	}{{"days", 86_400_000}, {"hours", 3_600_000}, {"minutes", 60_000}, {"seconds", 1000}} {
		if n := (offset + unit.millis/2) / unit.millis; n > 1 {
			return strconv.FormatInt(int64(n), 10) + " " + unit.name + " " + word
		}
	}
	return "a second " + word
}

// content lists what a body holds, in its order, for reading: nested objects become words, and a unit stands behind
// its value.
func content(body json.RawMessage) []pair {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	v, err := readValue(d)
	o, ok := v.(object)
	if err != nil || !ok {
		return []pair{{"", string(body)}}
	}
	var all []pair
	for _, p := range o.withUnits() {
		all = append(all, pair{strings.ReplaceAll(p.name, "_", " "), inWords(p.value)})
	}
	return all
}

// object is a JSON object with its fields in their order.
type object []field

type field struct {
	name  string
	value any
}

func readValue(d *json.Decoder) (any, error) {
	t, err := d.Token()
	if err != nil {
		return nil, err
	}
	switch t {
	case json.Delim('{'):
		o := object{}
		for d.More() {
			name, err := d.Token()
			if err != nil {
				return nil, err
			}
			value, err := readValue(d)
			if err != nil {
				return nil, err
			}
			o = append(o, field{name.(string), value})
		}
		_, err := d.Token()
		return o, err
	case json.Delim('['):
		list := []any{}
		for d.More() {
			value, err := readValue(d)
			if err != nil {
				return nil, err
			}
			list = append(list, value)
		}
		_, err := d.Token()
		return list, err
	}
	return t, nil
}

// withUnits puts a unit behind the value or the volume beside which it stands.
func (o object) withUnits() object {
	var unit string
	var rest object
	for _, f := range o {
		if text, ok := f.value.(string); ok && f.name == "unit" {
			unit = text
		} else {
			rest = append(rest, f)
		}
	}
	if unit == "" {
		return o
	}
	for i, f := range rest {
		if n, ok := f.value.(json.Number); ok && (f.name == "value" || f.name == "volume") {
			rest[i].value = strings.TrimSpace(n.String() + " " + unitName(unit))
			return rest
		}
	}
	return o
}

func inWords(v any) string {
	switch v := v.(type) {
	case string:
		return short(v)
	case json.Number:
		return v.String()
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case object:
		words := make([]string, 0, len(v))
		for _, f := range v.withUnits() {
			words = append(words, strings.ReplaceAll(f.name, "_", " ")+" "+inWords(f.value))
		}
		return strings.Join(words, ", ")
	case []any:
		words, between := make([]string, 0, len(v)), ", "
		for _, x := range v {
			if _, ok := x.(object); ok {
				between = "; "
			}
			words = append(words, inWords(x))
		}
		return strings.Join(words, between)
	}
	return "nothing"
}

var digest = regexp.MustCompile(`^(evidence:)?([0-9a-f]{12})[0-9a-f]{52}$`)

// short shows the start of a digest, for nobody reads one to its end; the commands print it whole.
func short(s string) string {
	m := digest.FindStringSubmatch(s)
	switch {
	case m == nil:
		return s
	case m[1] != "":
		return "not held here (" + m[2] + "…)"
	}
	return m[2] + "…"
}
