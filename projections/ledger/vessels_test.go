package ledger

import (
	"slices"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// elsewhere tells a record at another site and machine.
func (s *tale) elsewhere(done string, site events.SiteID, machine events.MachineID, body events.Body) {
	s.keep(s.device.Tell(done, story.On{Site: site, Machine: machine, Visit: story.Visit(200)}, body))
}

func start(vessel events.Code, capacity *float64, origin events.SiteID) *events.VesselStarted {
	return &events.VesselStarted{Vessel: vessel, Form: "pail", CapacityL: capacity, Origin: origin, Use: "waste"}
}

func move(from, to events.Code, l float64) *events.FluidRemoved {
	return &events.FluidRemoved{From: from, To: to, What: "sludge", Volume: l, U: story.P(0.25)}
}

func vesselsOf(l Ledger) map[string]Vessel {
	all := map[string]Vessel{}
	for _, v := range l.Vessels {
		name := string(v.Vessel)
		if v.Filling != nil {
			name = *v.Filling
		}
		all[name] = v
	}
	return all
}

// Filling 1 of p-31 took 12 L here and was emptied; filling 2 takes 5 L here, 4 L at another machine of the site, and
// 3 L of it are poured into w-1: 6 L are in it, 14 of 20 are free.
func TestFillings(t *testing.T) {
	s := newTale(t)
	s.on("2026-04-01T08:00:00Z", 1, start("p-31", story.P(20.0), ""))
	s.on("2026-04-01T08:00:01Z", 1, start("w-1", nil, ""))
	s.on("2026-04-01T09:00:00Z", 1, move("bath", "p-31", 12))
	s.on("2026-04-01T10:00:00Z", 1, &events.VesselEmptied{Vessel: "p-31", To: "w-1"})
	s.on("2026-04-01T10:01:00Z", 1, &events.VesselRinsed{Vessel: "p-31", With: "water", Volume: story.P(1.0)})
	s.on("2026-04-02T08:00:00Z", 2, start("p-31", story.P(20.0), ""))
	s.on("2026-04-02T09:00:00Z", 2, move("bath", "p-31", 5))
	s.elsewhere("2026-04-02T10:00:00Z", "north", "m-2", move("bath", "p-31", 4))
	s.elsewhere("2026-04-02T11:00:00Z", "north", "m-2", move("p-31", "w-1", 3))
	got := vesselsOf(s.fold())
	if v := got["p-31/2"]; v.L != 6 || v.Ullage == nil || *v.Ullage != 14 || len(v.Flags) != 0 || v.Ended != nil || v.Origin != "north" {
		t.Errorf("p-31/2: got %s", text(t, v))
	}
	// What was in it went along when it was emptied; the litre of rinse water is in it still.
	if v := got["p-31/1"]; v.L != 1 || v.Ended == nil || len(v.Flags) != 0 {
		t.Errorf("p-31/1: got %s", text(t, v))
	}
	if len(got) != 2 { // this machine's fluid went into w-1 by way of p-31 only
		t.Errorf("got %s", text(t, s.fold().Vessels))
	}
	s.machine = "m-2"
	got = vesselsOf(s.fold())
	if v := got["w-1/1"]; v.L != 15 || v.Ullage != nil || len(got) != 2 {
		t.Errorf("w-1/1 of m-2: got %s", text(t, s.fold().Vessels))
	}
}

// A vessel that was handed over keeps what was in it then.
func TestHanded(t *testing.T) {
	s := newTale(t)
	s.on("2026-04-01T08:00:00Z", 1, start("p-31", story.P(20.0), ""))
	s.on("2026-04-01T09:00:00Z", 1, move("bath", "p-31", 12))
	s.keep(s.device.Tell("2026-04-03T08:00:00Z", story.On{Site: "north"}, &events.VesselHanded{Vessel: "p-31", Kg: story.P(14.0)}))
	if v := vesselsOf(s.fold())["p-31/1"]; v.L != 12 || *v.Ullage != 8 || v.Ended.String() != "2026-04-03T08:00:00Z" {
		t.Errorf("got %s", text(t, v))
	}
	// What goes into it afterwards goes into no filling that was begun.
	s.on("2026-04-04T09:00:00Z", 2, move("bath", "p-31", 2))
	if v := vesselsOf(s.fold())["p-31/1"]; !slices.Equal(v.Flags, []projections.Flag{projections.NotStarted}) {
		t.Errorf("got %s", text(t, v))
	}
}

// A filling has one origin: that of its start, or the site where it was started. What comes from a tank, the tap or the
// stock of another site mixes two; what comes from the van does not, nor does what went through the floor here.
func TestTwoOrigins(t *testing.T) {
	add := func(from events.Code) events.Body {
		return &events.FluidAdded{From: from, To: "p-31", Volume: 1, U: story.P(0.1)}
	}
	for _, c := range []struct {
		origin events.SiteID
		site   events.SiteID
		body   events.Body
		mixed  bool
	}{
		{"north", "south", move("bath", "p-31", 1), true},
		{"", "south", move("bath", "p-31", 1), true}, // started at north
		{"south", "south", move("bath", "p-31", 1), true},
		{"north", "north", move("bath", "p-31", 1), false},
		{"north", "south", add("tap"), true},
		{"north", "south", add("site-stock"), true},
		{"north", "south", add("van"), false},
		{"north", "south", move("p-31", "drain", 1), false}, // out of it
		{"north", "south", move("p-9", "p-31", 1), true},    // p-9 was started at south
		{"north", "north", move("p-9", "p-31", 1), true},
		{"north", "north", move("floor", "p-31", 1), false},
	} {
		s := newTale(t)
		s.elsewhere("2026-04-01T07:00:00Z", "south", "m-2", start("p-9", nil, ""))
		s.elsewhere("2026-04-01T07:30:00Z", "south", "m-2", move("bath", "p-9", 5))
		s.on("2026-04-01T08:00:00Z", 1, start("p-31", story.P(20.0), c.origin))
		s.on("2026-04-01T09:00:00Z", 1, move("bath", "p-31", 12))
		s.elsewhere("2026-04-02T09:00:00Z", c.site, "m-2", c.body)
		v := vesselsOf(s.fold())["p-31/1"]
		if got := slices.Contains(v.Flags, TwoOrigins); got != c.mixed {
			t.Errorf("origin %q, %s: %s: got %s", c.origin, c.site, text(t, c.body), text(t, v))
		}
	}
}

// A vessel that was never started has no filling; its flows are flagged, there and in the span, and kept.
func TestNeverStarted(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 98, 1, move("bath", "p-9", 12),
		&events.FluidReturned{From: "h-9", To: "bath", Volume: 10, U: story.P(0.25)})
	l := s.fold()
	got := vesselsOf(l)
	if v := got["p-9"]; v.Filling != nil || v.L != 12 || v.Ullage != nil || !slices.Equal(v.Flags, []projections.Flag{projections.NotStarted}) {
		t.Errorf("p-9: got %s", text(t, v))
	}
	if v := got["h-9"]; v.L != -10 || !slices.Equal(v.Flags, []projections.Flag{Overdrawn, projections.NotStarted}) {
		t.Errorf("h-9: got %s", text(t, v))
	}
	for _, f := range s.only().Flows {
		if !slices.Equal(f.Flags, []projections.Flag{projections.NotStarted}) {
			t.Errorf("flow: got %s", text(t, f))
		}
	}
	is(t, "visit", s.only().Unexplained, 0, 1.457738, 1e-6) // sqrt(2 + 2 * 0.0625)
	if got := text(t, got["p-9"]); got != `{"vessel":"p-9","filling":null,"l":12,"ullage_l":null,"origin":"north","ended":null,"flags":["not-started"]}` {
		t.Errorf("got %s", got)
	}
}

// More than it holds, and a drawn amount that was not there.
func TestOverfull(t *testing.T) {
	s := newTale(t)
	s.on("2026-04-01T08:00:00Z", 1, start("p-31", story.P(10.0), ""))
	s.on("2026-04-01T09:00:00Z", 1, move("bath", "p-31", 12))
	if v := vesselsOf(s.fold())["p-31/1"]; *v.Ullage != -2 || !slices.Equal(v.Flags, []projections.Flag{Overfull}) {
		t.Errorf("got %s", text(t, v))
	}
}

// A tank of the machine is no vessel, and neither are the listed places.
func TestNoVessels(t *testing.T) {
	s := newTale(t)
	s.sink()
	s.visit("2026-04-07", 1, 100, 100, 1, move("bath", "drain", 1), move("bath", "stock", 1), move("bath", "floor", 1), fresh(1, 0),
		&events.FluidSpilled{From: "bath", Volume: 1, Reached: "soil"}, &events.FluidAdded{From: "site-stock", To: "bath", Volume: 1})
	if got := s.fold().Vessels; len(got) != 0 {
		t.Errorf("got %s", text(t, got))
	}
}
