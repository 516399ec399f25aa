package projections_test

import (
	"math"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

var sink = events.MachineEntered{Class: "sink", Tanks: []events.Tank{
	{Tank: "wash", Shape: "rectangular", LengthMm: story.P(900.0), WidthMm: story.P(600.0), HeightMm: story.P(500.0)},
	{Tank: "rinse", Shape: "vertical-cylinder", DiameterMm: story.P(500.0), HeightMm: story.P(600.0)},
	{Tank: "odd", Shape: "rectangular"},
}}

func close6(a, b float64) bool { return math.Abs(a-b) < 1e-6 }

// By hand: the wash tank has 0.54 m2, so that 3 mm are 1.62 L and 300 mm are 162 L; the rinse tank has 0.1963495 m2.
func TestVolume(t *testing.T) {
	office, tab := &story.Teller{Device: "office-1", Office: true}, &story.Teller{Device: "tab-1"}
	on := story.On{Machine: "nw-01"}
	entered := office.Tell("2026-03-01T08:00:00Z", on, &sink)
	checked := tab.Tell("2026-03-01T08:00:00Z", story.On{}, &events.InstrumentChecked{Instrument: "good", Result: "pass"})
	p := story.P[float64]
	for _, c := range []struct {
		name string
		b    events.ReadingTaken
		tank string
		v, u float64
		ok   bool
	}{
		{"given", events.ReadingTaken{Quantity: "volume", Value: p(180), U: p(1), Method: "dip"}, "wash", 180, 1, true},
		{"zero is exact", events.ReadingTaken{Quantity: "volume", Value: p(180), U: p(0), Method: "dip"}, "wash", 180, 0, true},
		{"below zero is none", events.ReadingTaken{Quantity: "volume", Value: p(180), U: p(-1), Method: "dip"}, "wash", 180, 1.62, true},
		{"dip", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "dip"}, "wash", 180, 1.62, true},
		{"dip, by name", events.ReadingTaken{Quantity: "volume", Value: p(50), Method: "dip", Of: "rinse"}, "rinse", 50, 0.003 * 1000 * math.Pi / 16, true},
		{"bath is the first", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "dip", Of: "bath"}, "wash", 180, 1.62, true},
		{"dip beyond the brim", events.ReadingTaken{Quantity: "volume", Value: p(300), Method: "dip"}, "wash", 300, 6, true},
		{"dip without a shape", events.ReadingTaken{Quantity: "volume", Value: p(100), Method: "dip", Of: "odd"}, "odd", 100, 2, true},
		{"dip in a tank that is not there", events.ReadingTaken{Quantity: "volume", Value: p(100), Method: "dip", Of: "spare"}, "spare", 100, 2, true},
		{"mark", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "mark"}, "wash", 180, 3.6, true},
		{"meter", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "meter"}, "wash", 180, 3.6, true},
		{"scale", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "scale"}, "wash", 180, 0.1, true},
		{"eye", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "eye"}, "wash", 180, 27, true},
		{"no method", events.ReadingTaken{Quantity: "volume", Value: p(180)}, "wash", 180, 27, true},
		{"gallons", events.ReadingTaken{Quantity: "volume", Value: p(40), Unit: "[gal_us]", U: p(1)}, "wash", 151.41647136, 3.785411784, true},
		{"level", events.ReadingTaken{Quantity: "level", Value: p(300), Method: "dip"}, "wash", 162, 1.62, true},
		{"level without a method", events.ReadingTaken{Quantity: "level", Value: p(300)}, "wash", 162, 1.62, true},
		{"level in cm", events.ReadingTaken{Quantity: "level", Value: p(30), Unit: "cm", U: p(0.5)}, "wash", 162, 2.7, true},
		{"level by the gauge", events.ReadingTaken{Quantity: "level", Value: p(300), Method: "gauge"}, "wash", 162, 3.24, true},
		{"level by eye", events.ReadingTaken{Quantity: "level", Value: p(300), Method: "eye"}, "wash", 162, 24.3, true},
		{"level beyond the brim", events.ReadingTaken{Quantity: "level", Value: p(501)}, "", 0, 0, false},
		{"level without a shape", events.ReadingTaken{Quantity: "level", Value: p(300), Of: "odd"}, "", 0, 0, false},
		{"not checked", events.ReadingTaken{Quantity: "volume", Value: p(180), U: p(1), Instrument: "bad"}, "wash", 180, 2, true},
		{"not checked, default", events.ReadingTaken{Quantity: "volume", Value: p(180), Method: "dip", Instrument: "bad"}, "wash", 180, 3.24, true},
		{"checked", events.ReadingTaken{Quantity: "volume", Value: p(180), U: p(1), Instrument: "good"}, "wash", 180, 1, true},
		{"empty", events.ReadingTaken{Quantity: "volume", Value: p(0), Method: "mark"}, "wash", 0, 0, true},
		{"a limit", events.ReadingTaken{Quantity: "volume", Value: p(180), Limit: "below"}, "", 0, 0, false},
		{"not read", events.ReadingTaken{Quantity: "volume", NotRead: story.P(true), Why: events.Text{Plain: "dark"}}, "", 0, 0, false},
		{"below zero", events.ReadingTaken{Quantity: "volume", Value: p(-1)}, "", 0, 0, false},
		{"another quantity", events.ReadingTaken{Quantity: "ph", Value: p(8)}, "", 0, 0, false},
		{"of a vessel", events.ReadingTaken{Quantity: "volume", Value: p(8), Of: "vessel:p-31"}, "", 0, 0, false},
		{"a wrong unit", events.ReadingTaken{Quantity: "volume", Value: p(8), Unit: "kg"}, "", 0, 0, false},
	} {
		h := projections.Resolve([]projections.Arrival{entered, checked, tab.Tell("2026-03-02T08:00:00Z", on, &c.b)}, projections.Now)
		tank, v, ok := projections.NewRegister(h).Volume(&h.Facts[2])
		if !c.ok {
			if ok {
				t.Errorf("%s: %+v, want nothing", c.name, v)
			}
			continue
		}
		if !ok || tank != c.tank || !close6(v.V, c.v) || !close6(v.U, c.u) {
			t.Errorf("%s: %s %+v, %v; want %s %g, u %g", c.name, tank, v, ok, c.tank, c.v, c.u)
		}
	}
}

func TestTankNames(t *testing.T) {
	second := events.MachineEntered{Tanks: []events.Tank{{Tank: "rinse"}, {Tank: "bath"}}}
	for _, c := range []struct {
		entry *events.MachineEntered
		of    string
		name  string
		ok    bool
	}{
		{nil, "", "bath", true}, {nil, "bath", "bath", true}, {nil, "rinse", "rinse", true}, {&events.MachineEntered{}, "", "bath", true},
		{&sink, "", "wash", true}, {&sink, "bath", "wash", true}, {&sink, "rinse", "rinse", true}, {&sink, "vessel:p-31", "", false},
		{&sink, "supply:water", "", false}, {&second, "bath", "bath", true}, {&second, "rinse", "rinse", true},
	} {
		if name, _, ok := projections.TankOf(c.entry, c.of); name != c.name || ok != c.ok {
			t.Errorf("of %q: %q, %v; want %q, %v", c.of, name, ok, c.name, c.ok)
		}
	}
	for _, c := range []struct {
		entry *events.MachineEntered
		place events.Code
		name  string
		ok    bool
	}{
		{nil, "bath", "bath", true}, {nil, "p-31", "", false}, {&sink, "bath", "wash", true}, {&sink, "rinse", "rinse", true},
		{&sink, "p-31", "", false}, {&sink, "drain", "", false}, {&sink, "", "", false},
	} {
		if name, ok := projections.IsTank(c.entry, c.place); name != c.name || ok != c.ok {
			t.Errorf("place %q: %q, %v; want %q, %v", c.place, name, ok, c.name, c.ok)
		}
	}
}

func TestFlow(t *testing.T) {
	office, tab := &story.Teller{Device: "office-1", Office: true}, &story.Teller{Device: "tab-1"}
	fluid := office.Tell("2026-03-01T08:00:00Z", story.On{}, &events.FluidSpecified{Fluid: "BF-A", Density: story.P(1.25)})
	p := story.P[float64]
	for _, c := range []struct {
		name string
		b    events.Body
		v, u float64
		ok   bool
	}{
		{"given", &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, U: p(0.25)}, 12, 0.25, true},
		{"nothing said: by eye", &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12}, 12, 1.8, true},
		{"the pail's marks", &events.FluidAdded{From: "van", To: "bath", Volume: 12, Method: "mark"}, 12, 0.25, true},
		{"a meter", &events.FluidAdded{From: "tap", To: "bath", Volume: 50, Method: "meter"}, 50, 1, true},
		{"a scale", &events.FluidReturned{From: "p-31", To: "bath", Volume: 12, Method: "scale"}, 12, 0.1, true},
		{"an instrument without a check", &events.FluidAdded{From: "tap", To: "bath", Volume: 50, U: p(1), Instrument: "m-1"}, 50, 2, true},
		{"mL", &events.DoseAdded{Product: "BF-A", Volume: p(500), Unit: "mL", U: p(20)}, 0.5, 0.02, true},
		{"weighed", &events.DoseAdded{Product: "BF-A", Mass: p(2.5), Method: "scale"}, 2, 0.08, true},
		{"weighed, u given", &events.DoseAdded{Product: "BF-A", Mass: p(2500), Unit: "g", U: p(50)}, 2, 0.04, true},
		{"weighed water", &events.DoseAdded{Product: "water", Mass: p(0.9982041)}, 1, 0.15, true},
		{"weighed, of no known density", &events.DoseAdded{Product: "BF-B", Mass: p(2.5)}, 0, 0, false},
		{"below zero", &events.FluidAdded{From: "tap", To: "bath", Volume: -1}, 0, 0, false},
		{"a wrong unit", &events.FluidAdded{From: "tap", To: "bath", Volume: 1, Unit: "kg"}, 0, 0, false},
		{"no flow", &events.NoteWritten{Text: events.Text{Plain: "x"}}, 0, 0, false},
	} {
		h := projections.Resolve([]projections.Arrival{fluid, tab.Tell("2026-03-02T08:00:00Z", story.On{Machine: "nw-01"}, c.b)}, projections.Now)
		_, v, ok := projections.NewRegister(h).Flow(&h.Facts[1])
		if ok != c.ok || ok && (!close6(v.V, c.v) || !close6(v.U, c.u)) {
			t.Errorf("%s: %+v, %v; want %g, u %g, %v", c.name, v, ok, c.v, c.u, c.ok)
		}
	}
}
