package ledger

import (
	"math"

	"ullage/events"
	"ullage/events/unit"
	"ullage/projections"
	"ullage/projections/handbook"
)

// What widens a volume that was measured, as parts of it.
const (
	noState       = 0.01  // nothing says how the machine stood: pump, air, basket, drained
	noTemperature = 0.002 // it was not taken to 20 degrees: water between 10 and 30 moves by about as much
)

// moment is when in a visit a bath was read.
type moment string

const (
	arrival   moment = "arrival"
	departure moment = "departure"
)

// end is a known volume of a tank, where one span ends and the next begins.
type end struct {
	n      int // its place in the order of the fold
	fact   *projections.Fact
	visit  events.RecordID // zero where the reading names none
	moment moment
	v      unit.Value // litres, as measured
	shared bool       // v.U is shared with whatever else that instrument measured
	zero   bool       // half of v.U's square is the zero of a stick
	source source     // of what is shared
	state  bool       // the reading says how the machine stood
	warm   *warmth    // the bath's temperature of that visit and moment; nil where there is none

	plain, at20 measured // as litres has it; at20 only where there is a temperature
}

// warmth is a temperature in degrees Celsius.
type warmth struct{ cel, u float64 }

// reading is the key of the last standing reading: one a tank, visit and moment counts.
type reading struct {
	tank   string
	visit  events.RecordID
	moment moment
}

// reads tells the tank and moment of a reading of the given quantities, false for any other body.
func (b *books) reads(f *projections.Fact, quantities ...events.Word) (*events.ReadingTaken, reading, bool) {
	r, ok := f.Body.(*events.ReadingTaken)
	if !ok || r.Moment != events.Word(arrival) && r.Moment != events.Word(departure) {
		return nil, reading{}, false
	}
	for _, q := range quantities {
		if r.Quantity == q {
			tank, ok := b.places.tankOf(f, r.Of)
			return r, reading{tank, f.Visit, moment(r.Moment)}, ok
		}
	}
	return nil, reading{}, false
}

// endOf is the known volume that a fact gives, false where it gives none.
//
// Of the uncertainty that the instrument has, given or by default, this is taken to be shared:
//
//   - a meter or a scale that is named: all of it. What it gets wrong it gets wrong alike each time.
//   - a stick that is named (method dip): half of its square, which is the zero: where the stick's foot and the spot
//     on the tank's floor lie. The other half is the wet line, which is new each time. So with u at both ends the
//     difference has u*sqrt(2) for two sticks, and u for one stick in one tank whose surface is the same. Sources do
//     not part the 3 mm further, and halves claim neither that a stick is perfect nor that its foot moves.
//   - anything else: nothing.
func (b *books) endOf(n int, f *projections.Fact) (end, reading, bool) {
	r, key, ok := b.reads(f, "volume", "level")
	if !ok {
		return end{}, reading{}, false
	}
	_, v, ok := b.register.Volume(f)
	if !ok || !possible(v.V) {
		return end{}, reading{}, false
	}
	v.U = min(v.U, mostL)
	e := end{n: n, fact: f, visit: f.Visit, moment: key.moment, v: v, state: r.State != nil && *r.State != events.State{}}
	dip := r.Method == "dip" || r.Method == "" && r.Quantity == "level"
	switch {
	case r.Instrument == "":
	case dip:
		e.zero, e.source = true, source{r.Instrument, key.tank}
	case r.Method == "meter" || r.Method == "scale":
		e.shared, e.source = true, source{instrument: r.Instrument}
	}
	return e, key, true
}

// warmthOf is the temperature of a bath that a fact gives.
func (b *books) warmthOf(f *projections.Fact) (*warmth, reading, bool) {
	r, key, ok := b.reads(f, "temperature")
	if !ok || r.Value == nil || r.Limit != "" || r.NotRead != nil && *r.NotRead {
		return nil, reading{}, false
	}
	code, err := events.QuantityUnit(r.Quantity, r.Unit)
	if err != nil {
		return nil, reading{}, false
	}
	x := unit.Value{V: *r.Value}
	if r.U != nil && *r.U >= 0 {
		x.U = *r.U
	}
	x = code.SI(x)
	cel := x.V - 273.15
	if _, err := handbook.WaterDensity(cel); err != nil {
		return nil, reading{}, false
	}
	if r.Instrument != "" && !b.register.InstrumentChecked(r.Instrument, f.At) {
		x.U *= 2
	}
	return &warmth{cel, min(x.U, 100)}, key, true
}

// litres is the volume of one end of a balance with all that can be wrong in it, at 20 degrees where the other end too
// has a temperature. All of it is scaled with the volume.
func (e *end) litres(at20 bool) measured {
	l, scale := e.v.V, 1.0
	if at20 {
		if cold, err := handbook.VolumeAt20(1, e.warm.cel); err == nil {
			l, scale = float64(cold*l), cold
		}
	}
	u := float64(scale * e.v.U)
	m := measured{l: l}
	switch {
	case e.shared:
		m.shared, m.source = u, e.source
	case e.zero:
		m.shared, m.source = float64(u*(math.Sqrt2/2)), e.source
		m.own = m.shared
	default:
		m.own = u
	}
	state, temperature := 0.0, float64(noTemperature*l)
	if !e.state {
		state = float64(noState * l)
	}
	if at20 {
		temperature = float64(l * float64(expansion(e.warm.cel)*e.warm.u))
	}
	m.own = root(m.own, state, temperature)
	return m
}

// weigh finds what the volume comes to at either temperature.
func (e *end) weigh() {
	e.plain = e.litres(false)
	if e.warm != nil {
		e.at20 = e.litres(true)
	}
}

// pair is the two ends of a balance.
func pair(first, last *end) (start, finish measured) {
	if first.warm != nil && last.warm != nil {
		return first.at20, last.at20
	}
	return first.plain, last.plain
}
