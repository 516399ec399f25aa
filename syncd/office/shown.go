package office

import (
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"ullage/projections"
	"ullage/projections/ledger"
	"ullage/projections/machine"
)

// What pages show of results, in words and short numbers.

type bath struct {
	Litres string
	Likely string // the interval in which it lies
	Done   stamp
	Since  string // what went in or out after it
}

func (c *clock) bath(state machine.State) *bath {
	v := state.VolumeL
	if v == nil {
		return nil
	}
	b := &bath{Litres: whole(float64(v.Value)), Done: c.stamp(v.Done)}
	if v.U > 0 {
		b.Likely = "between " + whole(max(0, float64(v.Value-2*v.U))) + " and " + whole(float64(v.Value+2*v.U)) + " L"
	}
	if since := state.FlowsSinceL; since != nil && since.Value != 0 {
		b.Since = litres(*since) + " L more were put in than taken out since"
		if since.Value < 0 {
			b.Since = litres(projections.Measured{Value: -since.Value, U: since.U}) + " L more were taken out than put in since"
		}
	}
	return b
}

func whole(x float64) string { return strconv.FormatFloat(x, 'f', 0, 64) }

// litres rounds for reading: whole litres where that says as much as is known.
func litres(m projections.Measured) string {
	places := 1
	if m.U >= 1 {
		places = 0
	}
	text := strings.TrimSuffix(strconv.FormatFloat(float64(m.Value), 'f', places, 64), ".0")
	if text == "-0" {
		return "0"
	}
	return strings.Replace(text, "-", "\u2212", 1)
}

type reading struct {
	What, Last string
	Done       stamp
}

func (c *clock) readings(state machine.State) []reading {
	var all []reading
	for _, name := range slices.Sorted(maps.Keys(state.Readings)) {
		r := state.Readings[name]
		last := strings.TrimSpace(strconv.FormatFloat(r.Value, 'g', -1, 64) + " " + unitName(r.Unit))
		if r.Limit != "" {
			last = string(r.Limit) + " " + last
		}
		all = append(all, reading{quantityName(name), last, c.stamp(r.Done)})
	}
	return all
}

// quantityName says the name of a reading: ph, temperature@rinse, filter-drop@position:filter.
func quantityName(name string) string {
	quantity, of, given := strings.Cut(name, "@")
	text := strings.ReplaceAll(quantity, "-", " ")
	if quantity == "ph" {
		text = "pH"
	} else {
		text = capital(text)
	}
	if !given {
		return text
	}
	switch kind, what, ok := strings.Cut(of, ":"); {
	case !ok:
		return text + ", tank " + of
	case kind == "supply":
		return text + " of the " + what + " supply"
	default: // vessel, position
		return text + ", " + kind + " " + what
	}
}

// unitNames are the units whose code is not what people write.
var unitNames = map[string]string{
	"[pH]": "", "1": "", "Cel": "°C", "[degF]": "°F", "m3": "m³", "m3/h": "m³/h", "[gal_us]": "US gal", "[gal_br]": "imp gal", "[in_i]": "in",
	"[ft_i]": "ft", "[lb_av]": "lb", "[psi]": "psi", "[cft_i]/min": "ft³/min", "uS/cm": "µS/cm", "[CFU]/mL": "CFU/mL", "Ohm": "Ω", "MOhm": "MΩ",
}

func unitName(code string) string {
	if name, ok := unitNames[code]; ok {
		return name
	}
	return code
}

type fault struct {
	Fault, Text, Grade, Position string
	Found                        stamp
}

func (c *clock) faults(state machine.State) []fault {
	var all []fault
	for _, f := range state.OpenFaults {
		x := fault{Fault: f.Fault, Text: short(f.Text), Position: string(f.Position), Found: c.stamp(f.Done)}
		if f.Grade != nil {
			x.Grade = strconv.FormatInt(*f.Grade, 10)
		}
		all = append(all, x)
	}
	return all
}

type part struct {
	Position, Part, Serial string
	Since                  stamp
}

func (c *clock) parts(state machine.State) []part {
	var all []part
	for _, position := range slices.Sorted(maps.Keys(state.Parts)) {
		p := state.Parts[position]
		all = append(all, part{position, string(p.Part), p.Serial, c.stamp(p.Since)})
	}
	return all
}

// finding is what a span says, in words.
type finding struct {
	Grade    string // Look or Say; empty where nobody need do anything
	Words    string
	From, To *stamp
}

func (c *clock) finding(x ledger.Span) *finding {
	from := c.stamp(x.From.String())
	f := &finding{Words: sentence(x.Words), From: &from}
	if x.To != nil {
		to := c.stamp(x.To.String())
		f.To = &to
	}
	switch x.Grade {
	case ledger.Look:
		f.Grade = "Look"
	case ledger.Say:
		f.Grade = "Say"
	}
	return f
}

// span is a line of the ledger.
type span struct {
	What, Tank string
	Finding    *finding
	Terms      []term
}

// term is one amount of a balance.
type term struct {
	Name, L string
	Nothing bool
}

func (c *clock) span(x ledger.Span) span {
	what := "Between known volumes"
	switch {
	case x.To == nil:
		what = "Since the last reading"
	case x.Kind == ledger.OfVisit:
		what = "During a visit"
	case x.Kind == ledger.Between:
		what = "Between visits"
	}
	known := func(name string, m *projections.Measured) term {
		if m == nil {
			return term{name, "", true}
		}
		return term{name, litres(*m), false}
	}
	flow := func(name string, m projections.Measured) term { return term{name, litres(m), m.Value == 0} }
	told := flow("told", x.Told)
	if x.Told.Value > 0 {
		told.L = "+" + told.L
	}
	return span{what, x.Tank, c.finding(x), []term{
		known("start", x.Start), flow("added", x.Added), flow("put back", x.Returned), told, flow("taken out", x.Removed), flow("spilled", x.Spilled),
		flow("expected loss", x.ExpectedLoss), known("end", x.End),
	}}
}

// sentence makes a sentence of words.
func sentence(words string) string {
	if words == "" {
		return ""
	}
	return capital(strings.TrimSuffix(words, ".")) + "."
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
