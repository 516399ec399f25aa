package ledger

import (
	"fmt"
	"math"
	"testing"

	"ullage/events"
	"ullage/projections/internal/story"
)

// JCGM 100, as the handbook's section 6 has it.
func TestHandbook(t *testing.T) {
	for _, c := range []struct {
		what      string
		got, want float64
		tol       float64
	}{
		// Rectangular, half-width 0.5: 0.5 / sqrt(3). Computed.
		{"rectangular", root(0.5/math.Sqrt(3), 0), 0.288675, 1e-6},
		// A box of 6 x 4 x 2.5 dm with rectangular half-widths 0.01, 0.01, 0.02 dm: sensitivities 10, 15, 24 L/dm; u 0.2960.
		// Computed; the python package uncertainties 3.1.6 agrees.
		{"box", root(10*0.01/math.Sqrt(3), 15*0.01/math.Sqrt(3), 24*0.02/math.Sqrt(3)), 0.2960, 0.0003},
		// 2.3 (u 0.030) times 1.1 (u 0.015). Inputs: the GUM example of metRology; result computed.
		{"product", root(1.1*0.030, 2.3*0.015), 0.04774, 1e-4},
		// GUM H.1, the end gauge, in nm. Inputs: metRology, data set GUM.H.1; the GUM prints 32.
		{"end gauge", root(25, 5.8, 3.9, 6.7, 5.0000623e7*0.1*5.8e-7, 5.0000623e7*11.5e-6*0.029), 31.7, 0.16},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
	// Loss by difference: u is the root of the sum of squares (JCGM 100:2008, 5.1.2). 200 (u 3) + 50 (u 1) - 30 (u 2) -
	// 190 (u 3) = 30, u = sqrt(9 + 1 + 4 + 9) = 4.795832. Computed.
	var a account
	a.add(measured{l: 200, own: 3}, 1)
	a.add(measured{l: 50, own: 1}, 1)
	a.add(measured{l: 30, own: 2}, -1)
	a.add(measured{l: 190, own: 3}, -1)
	if math.Abs(a.l-30) > 1e-9 || math.Abs(a.u()-4.795832) > 1e-6 {
		t.Errorf("loss by difference: got %v, u %v", a.l, a.u())
	}
	// Ten resistors of one calibration, 1000 Ohm with u 0.1 each, in series: fully correlated, 10000 with u 1, not 0.32.
	// Source: the example of JCGM 100:2008, 5.2.2.
	var r account
	for range 10 {
		r.add(measured{l: 1000, shared: 0.1, source: source{instrument: "standard"}}, 1)
	}
	if math.Abs(r.l-10000) > 1e-9 || math.Abs(r.u()-1) > 1e-9 {
		t.Errorf("resistors: got %v, u %v", r.l, r.u())
	}
}

// sink puts a machine on the register: 900 x 600 x 500 mm, hence 0.54 m2, and 0.54 L for each mm.
func (s *tale) sink() {
	s.enter(&events.MachineEntered{Class: "sink", Tanks: []events.Tank{{
		Tank: "bath", Shape: "rectangular", LengthMm: story.P(900.0), WidthMm: story.P(600.0), HeightMm: story.P(500.0)}}})
}

// checked gives an instrument a check that holds.
func (s *tale) checked(instrument events.Code) {
	s.keep(s.device.Tell("2020-01-02T08:00:00Z", story.On{By: "T1"}, &events.InstrumentChecked{Instrument: instrument, Result: "pass"}))
}

// What stands for u where a reading gives none. 100 L.
func TestReadingDefaults(t *testing.T) {
	for _, c := range []struct {
		method events.Word
		sink   bool
		want   float64
	}{
		{"dip", true, 1.62}, // 3 mm * 0.54 m2
		{"dip", false, 2},   // 2 %
		{"mark", true, 2},   // 2 %
		{"meter", true, 2},  // 2 %
		{"scale", true, 0.1},
		{"eye", true, 15}, // 15 %
		{"", true, 15},    // as by eye
	} {
		t.Run(fmt.Sprintf("%s/%v", c.method, c.sink), func(t *testing.T) {
			s := newTale(t)
			if c.sink {
				s.sink()
			}
			s.warm20("2026-04-07", 1)
			r := volume("arrival", 100, 0)
			r.Method, r.U = c.method, nil
			s.on("2026-04-07T08:00:00Z", 1, r)
			s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 0)) // 0 is exact
			x := s.only()
			is(t, "start", x.Start, 100, c.want, 1e-6)
			is(t, "end", x.End, 100, 0, 1e-6)
		})
	}
}

// What stands for u where a flow gives none. 20 L.
func TestFlowDefaults(t *testing.T) {
	for _, c := range []struct {
		method events.Word
		u      *float64
		want   float64
	}{
		{"mark", nil, 0.25},
		{"meter", nil, 0.4}, // 2 %
		{"scale", nil, 0.1},
		{"eye", nil, 3},           // 15 %
		{"", nil, 3},              // as by eye
		{"", story.P(0.7), 0.7},   // given
		{"eye", story.P(0.7), .7}, // given
		{"eye", story.P(0.0), 0},  // exact
	} {
		s := newTale(t)
		s.visit("2026-04-07", 1, 100, 120, 0, &events.FluidAdded{From: "van", To: "bath", Volume: 20, Method: c.method, U: c.u})
		x := s.only()
		is(t, "added by "+string(c.method), &x.Added, 20, c.want, 1e-6)
		is(t, "by "+string(c.method), x.Unexplained, 0, c.want, 1e-6)
	}
}

// A named instrument without a valid check counts double, a u that was given too. An unnamed one does not.
func TestUnchecked(t *testing.T) {
	stick := func(l float64) *events.ReadingTaken {
		r := volume("arrival", l, 1)
		r.Instrument = "ST-1"
		return r
	}
	add := &events.FluidAdded{From: "van", To: "bath", Volume: 20, U: story.P(0.5), Instrument: "PL-1"}
	told := func(checked bool) Span {
		s := newTale(t)
		if checked {
			s.checked("ST-1")
			s.checked("PL-1")
		}
		s.warm20("2026-04-07", 1)
		s.on("2026-04-07T08:00:00Z", 1, stick(100))
		s.on("2026-04-07T09:00:00Z", 1, add)
		s.on("2026-04-07T10:00:00Z", 1, volume("departure", 120, 1))
		return s.only()
	}
	x := told(false)
	is(t, "start", x.Start, 100, 2, 1e-6)
	is(t, "added", &x.Added, 20, 1, 1e-6)
	is(t, "unexplained", x.Unexplained, 0, math.Sqrt(4+1+1), 1e-6)
	x = told(true)
	is(t, "start", x.Start, 100, 1, 1e-6)
	is(t, "added", &x.Added, 20, 0.5, 1e-6)
}

// Without the state of the machine 1 % of V comes in: sqrt(1 + 1). Without a temperature at both ends 0.2 %: sqrt(1 +
// 0.04). Without both sqrt(1 + 1 + 0.04). A state of which nothing is said is none.
func TestWidened(t *testing.T) {
	empty := volume("arrival", 100, 1)
	empty.State = &events.State{}
	none := volume("arrival", 100, 1)
	none.State = nil
	for _, c := range []struct {
		what    string
		reading *events.ReadingTaken
		warm    []string // moments with a temperature
		want    float64
	}{
		{"state and temperature", volume("arrival", 100, 1), []string{"arrival", "departure"}, 1},
		{"no state", none, []string{"arrival", "departure"}, math.Sqrt2},
		{"no temperature", volume("arrival", 100, 1), nil, math.Sqrt(1.04)},
		{"temperature at one end", volume("arrival", 100, 1), []string{"arrival"}, math.Sqrt(1.04)},
		{"temperature at the other", volume("arrival", 100, 1), []string{"departure"}, math.Sqrt(1.04)},
		{"neither", none, nil, math.Sqrt(2.04)},
	} {
		s := newTale(t)
		s.on("2026-04-07T08:00:00Z", 1, c.reading)
		s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 0))
		for _, moment := range c.warm {
			s.on("2026-04-07T08:30:00Z", 1, temperature(events.Word(moment), 52))
		}
		want := 100.0
		if len(c.warm) == 2 { // 100 L at 52 degrees are 98.8895 L at 20 (987.1190 / 998.2041); u is scaled alike
			want = 98.8895
			c.want *= 0.988895
		}
		is(t, c.what, s.only().Start, want, c.want, 1e-4)
	}
	s := newTale(t)
	s.warm20("2026-04-07", 1)
	s.on("2026-04-07T08:00:00Z", 1, empty)
	s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 0))
	is(t, "empty state", s.only().Start, 100, math.Sqrt2, 1e-6)
}

// 199.8 L at 52 degrees and 180.2 L at 54: with Kell's densities 987.1190, 986.1761 and at 20 degrees 998.2041 kg/m3
// they are 197.5812 and 178.0287 L at 20, with u 1.2 scaled to 1.18667 and 1.18554. Of 10 L more that went in between,
// which stay as measured, 29.5526 L are missing, u = 1.67741.
func TestTemperature(t *testing.T) {
	s := newTale(t)
	s.on("2026-03-03T09:24:00Z", 1, temperature("departure", 52))
	s.on("2026-03-03T09:25:00Z", 1, volume("departure", 199.8, 1.2))
	s.on("2026-03-05T09:00:00Z", 0, fresh(10, 0))
	s.on("2026-03-09T08:52:00Z", 2, volume("arrival", 180.2, 1.2))
	s.on("2026-03-09T08:53:00Z", 2, temperature("arrival", 54))
	x := s.only()
	is(t, "start", x.Start, 197.5812, 1.18667, 1e-4)
	is(t, "end", x.End, 178.0287, 1.18554, 1e-4)
	is(t, "added", &x.Added, 10, 0, 0)
	is(t, "unexplained", x.Unexplained, 29.5526, 1.67741, 1e-4)
}

// A thermometer that is off by 0.5 K at 52 degrees is off by 98.8895 L * 4.7e-4 / K * 0.5 K = 0.0232 L. Twice that
// where it is named and not checked. (Expansion of water at 52 degrees: 4.7e-4, between 4.57e-4 at 50 and 5.23e-4 at
// 60 in the tables.)
func TestThermometer(t *testing.T) {
	for _, c := range []struct {
		instrument events.Code
		want       float64
	}{{"", 0.0232}, {"TH-1", 0.0465}} {
		s := newTale(t)
		r := temperature("arrival", 52)
		r.U, r.Instrument = story.P(0.5), c.instrument
		s.on("2026-04-07T08:00:00Z", 1, volume("arrival", 100, 0))
		s.on("2026-04-07T08:01:00Z", 1, r)
		s.on("2026-04-07T09:59:00Z", 1, temperature("departure", 52))
		s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 0))
		is(t, "start", s.only().Start, 98.8895, c.want, 5e-4)
	}
}

// Only a temperature of the same tank, visit and moment counts, and the last one of them: at 52 degrees 100 L are 98.8895.
func TestWhichTemperature(t *testing.T) {
	s := newTale(t)
	rinse := temperature("arrival", 30)
	rinse.Of = "rinse"
	s.on("2026-04-07T08:00:00Z", 1, temperature("arrival", 40))
	s.on("2026-04-07T08:01:00Z", 1, temperature("arrival", 52))
	s.on("2026-04-07T08:02:00Z", 1, rinse)
	s.on("2026-04-07T08:03:00Z", 1, temperature("working", 60))
	s.on("2026-04-07T08:04:00Z", 2, temperature("arrival", 70))
	s.on("2026-04-07T08:05:00Z", 1, volume("arrival", 100, 1))
	s.on("2026-04-07T09:59:00Z", 1, temperature("departure", 20))
	s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 1))
	x := s.only()
	is(t, "start", x.Start, 98.8895, 0.988895, 1e-4)
	is(t, "end", x.End, 100, 1, 1e-6)
}

// One meter ten times: 10 L with 0.2 L each. By name they add straight, 2 L; unnamed in squares, sqrt(10) * 0.2 = 0.632.
func TestSameMeter(t *testing.T) {
	for _, c := range []struct {
		instrument events.Code
		added, all float64
	}{
		{"MT-1", 2, math.Sqrt(1 + 1 + 4)},
		{"", 0.2 * math.Sqrt(10), math.Sqrt(1 + 1 + 0.4)},
	} {
		s := newTale(t)
		s.checked("MT-1")
		s.warm20("2026-04-07", 1)
		s.on("2026-04-07T08:00:00Z", 1, volume("arrival", 100, 1))
		for range 10 {
			s.on("2026-04-07T09:00:00Z", 1, &events.FluidAdded{From: "tap", To: "bath", Volume: 10, Method: "meter", Instrument: c.instrument})
		}
		s.on("2026-04-07T10:00:00Z", 1, volume("departure", 200, 1))
		x := s.only()
		is(t, "added", &x.Added, 100, c.added, 1e-6)
		is(t, "unexplained", x.Unexplained, 0, c.all, 1e-6)
	}
}

// One pail in and out: 20 L with 0.4 in, 15 L with 0.3 out: what it is off by is off on both sides, and 0.1 L is left.
func TestSamePailBothWays(t *testing.T) {
	s := newTale(t)
	s.checked("PL-1")
	in, out := fresh(20, 0.4), taken(15, 0.3)
	in.Instrument, out.Instrument = "PL-1", "PL-1"
	s.visit("2026-04-07", 1, 100, 105, 1, in, out)
	x := s.only()
	is(t, "added", &x.Added, 20, 0.4, 1e-6)
	is(t, "removed", &x.Removed, 15, 0.3, 1e-6)
	is(t, "unexplained", x.Unexplained, 0, math.Sqrt(2.01), 1e-6)
}

// Half of the square of a stick's u is its zero, which cancels in one tank: u 1 at both ends gives sqrt(0.5 + 0.5) = 1.
// With two sticks, or where none is named, sqrt(2). Over two visits as well as within one.
func TestSameStick(t *testing.T) {
	for _, c := range []struct {
		first, second events.Code
		method        events.Word
		want          float64
	}{
		{"ST-1", "ST-1", "dip", 1},
		{"ST-1", "ST-2", "dip", math.Sqrt2},
		{"", "", "dip", math.Sqrt2},
		{"ST-1", "", "dip", math.Sqrt2},
		{"GL-1", "GL-1", "mark", math.Sqrt2}, // a mark has no zero of its own
		{"SC-1", "SC-1", "scale", 0},         // the machine stands on a scale: off alike, hence 1 - 1
	} {
		s := newTale(t)
		for _, i := range []events.Code{"ST-1", "ST-2", "GL-1", "SC-1"} {
			s.checked(i)
		}
		read := func(at string, visit byte, moment events.Word, by events.Code) {
			r := volume(moment, 100, 1)
			r.Instrument, r.Method = by, c.method
			s.on(at, visit, r)
		}
		s.warm20("2026-04-07", 1)
		s.warm20("2026-04-14", 2)
		read("2026-04-07T08:00:00Z", 1, "arrival", c.first)
		read("2026-04-07T10:00:00Z", 1, "departure", c.second)
		read("2026-04-14T08:00:00Z", 2, "arrival", c.first)
		all := s.spans("bath")
		is(t, string(c.first+c.second), all[0].Unexplained, 0, c.want, 1e-6)
		is(t, string(c.first+c.second), all[1].Unexplained, 0, c.want, 1e-6)
	}
}

// By default a stick has 3 mm. In a lying cylinder the surface differs from end to end, and what is left of the zero is
// the difference: d 1.2 m, l 2.0 m, 90.031 L at 100 mm and 774.759 L at 450 mm (handbook, section 1), with surfaces of
// 2 * sqrt(0.6^2 - 0.5^2) * 2 = 1.326650 and 2 * sqrt(0.6^2 - 0.15^2) * 2 = 2.323790 m2, hence u 3.979950 and 6.971370.
// One stick: sqrt((3.97995^2 + 6.97137^2) / 2 + (6.97137 - 3.97995)^2 / 2) = sqrt(32.220001 + 4.474297) = 6.057582.
func TestStickInCylinder(t *testing.T) {
	s := newTale(t)
	s.checked("ST-1")
	s.enter(&events.MachineEntered{Class: "cabinet", Tanks: []events.Tank{{Tank: "bath", Shape: "horizontal-cylinder", DiameterMm: story.P(1200.0), LengthMm: story.P(2000.0)}}})
	s.warm20("2026-04-07", 1)
	level := func(at string, moment events.Word, mm float64) {
		s.on(at, 1, &events.ReadingTaken{Quantity: "level", Value: &mm, Method: "dip", Instrument: "ST-1", Moment: moment, State: still})
	}
	level("2026-04-07T08:00:00Z", "arrival", 100)
	level("2026-04-07T10:00:00Z", "departure", 450)
	x := s.only()
	is(t, "start", x.Start, 90.031, 3.979950, 1e-3)
	is(t, "end", x.End, 774.759, 6.971370, 1e-3)
	is(t, "unexplained", x.Unexplained, 90.031-774.759, 6.057582, 1e-3)
}

// Levels through shapes: 200 mm in the sink are 108 L, u 1.62. In a standing cylinder of 572 mm, 400 mm are 102.788 L
// (handbook, section 1); with u 1 mm on pi/4 * 0.572^2 = 0.256970 m2 that is 0.256970 L. In inches: 10 in are 254 mm,
// 137.16 L in the sink.
func TestLevels(t *testing.T) {
	sink := events.Tank{Tank: "bath", Shape: "rectangular", LengthMm: story.P(900.0), WidthMm: story.P(600.0), HeightMm: story.P(500.0)}
	drum := events.Tank{Tank: "bath", Shape: "vertical-cylinder", DiameterMm: story.P(572.0), HeightMm: story.P(900.0)}
	for _, c := range []struct {
		tank  events.Tank
		value float64
		unit  string
		u     *float64
		l, ul float64
	}{
		{sink, 200, "", nil, 108, 1.62},
		{drum, 400, "mm", story.P(1.0), 102.788, 0.256970},
		{sink, 10, "[in_i]", nil, 137.16, 1.62},
	} {
		s := newTale(t)
		s.enter(&events.MachineEntered{Class: "sink", Tanks: []events.Tank{c.tank}})
		s.warm20("2026-04-07", 1)
		s.on("2026-04-07T08:00:00Z", 1, &events.ReadingTaken{Quantity: "level", Value: &c.value, Unit: c.unit, U: c.u, Moment: "arrival", State: still})
		s.on("2026-04-07T10:00:00Z", 1, volume("departure", 100, 1))
		is(t, c.unit, s.only().Start, c.l, c.ul, 1e-3)
	}
}

// US gallons of 3.785411784 L: 50 with u 0.5 are 189.270589 with u 1.892706; 5 more with u 0.1 are 18.927059 with u
// 0.378541; 55 are 208.197648. Imperial gallons of 4.54609 L: 2 told are 9.09218, u a quarter.
func TestGallons(t *testing.T) {
	s := newTale(t)
	gallons := func(moment events.Word, v float64) *events.ReadingTaken {
		r := volume(moment, v, 0.5)
		r.Unit = "[gal_us]"
		return r
	}
	s.warm20("2026-04-07", 1)
	s.on("2026-04-07T08:00:00Z", 1, gallons("arrival", 50))
	s.on("2026-04-07T09:00:00Z", 1, &events.FluidAdded{From: "van", To: "bath", Volume: 5, Unit: "[gal_us]", U: story.P(0.1)})
	s.on("2026-04-07T10:00:00Z", 1, gallons("departure", 55))
	s.warm20("2026-04-14", 2)
	s.on("2026-04-14T08:00:00Z", 2, &events.HistoryTold{What: "drained", Volume: story.P(2.0), Unit: "[gal_br]"})
	s.on("2026-04-14T08:01:00Z", 2, gallons("arrival", 53))
	all := s.spans("bath")
	is(t, "start", all[0].Start, 189.270589, 1.892706, 1e-6)
	is(t, "added", &all[0].Added, 18.927059, 0.378541, 1e-6)
	is(t, "end", all[0].End, 208.197648, 1.892706, 1e-6)
	is(t, "unexplained", all[0].Unexplained, 0, math.Sqrt(2*1.892706*1.892706+0.378541*0.378541), 1e-5)
	is(t, "told", &all[1].Told, -9.09218, 2.273045, 1e-6)
}

// A dose that was weighed counts by its density: 3 kg at 1.2 kg/L are 2.5 L; 0.1 kg of the scale are 0.083333 L, and a u
// of 0.06 kg is 0.05 L. Without a density its amount is not known and it counts nothing.
func TestWeighedDose(t *testing.T) {
	dose := func(u *float64) *events.DoseAdded {
		return &events.DoseAdded{Product: "BF-A", Mass: story.P(3.0), Method: "scale", U: u}
	}
	for _, c := range []struct {
		density *float64
		u       *float64
		l, ul   float64
	}{
		{story.P(1.2), nil, 2.5, 0.1 / 1.2},
		{story.P(1.2), story.P(0.06), 2.5, 0.05},
		{nil, nil, 0, 0},
	} {
		s := newTale(t)
		s.enter(&events.FluidSpecified{Fluid: "BF-A", Density: c.density})
		s.visit("2026-04-07", 1, 100, 102.5, 1, dose(c.u))
		x := s.only()
		is(t, "added", &x.Added, c.l, c.ul, 1e-6)
		if f := x.Flows[0]; (f.L == nil) != (c.density == nil) || (f.U == nil) != (c.density == nil) {
			t.Errorf("flow: got %+v", f)
		}
	}
}

// What cannot be is kept and shown, and counts nothing: a negative amount, one that no tank can hold, a u below zero
// (which counts as none given).
func TestOdd(t *testing.T) {
	s := newTale(t)
	negative := fresh(10, 0.3)
	negative.U = story.P(-1.0)
	negative.Method = "mark"
	s.visit("2026-04-07", 1, 100, 110, 1, fresh(-20, 1), fresh(1e300, 1), negative, fresh(0, 1e300))
	x := s.only()
	if len(x.Flows) != 4 || x.Flows[0].L != nil || x.Flows[1].L != nil || *x.Flows[2].L != 10 || *x.Flows[2].U != 0.25 {
		t.Errorf("flows: got %s", text(t, x.Flows))
	}
	if x.Unexplained == nil || x.Unexplained.Value != 0 || x.Grade != None {
		t.Errorf("got %v, %s", x.Unexplained, x.Grade)
	}
	text(t, s.fold()) // no infinity gets that far
}
