package projections_test

import (
	"fmt"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

func TestTouches(t *testing.T) {
	tab, office := &story.Teller{Device: "tab-1"}, &story.Teller{Device: "office-1", Office: true}
	on := story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(1)}
	const visit = "visit:00000000-03e8-7100-8000-000000000000"
	const here = "machine:nw-01 site:north-yard "
	at := "2026-03-02T08:00:00Z"
	removed := tab.Tell(at, on, &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12})
	for _, c := range []struct {
		a    projections.Arrival
		want string
	}{
		{removed, here + "vessel:p-31 " + visit},
		{tab.Tell(at, on, story.Volume("arrival", 180)), here + visit},
		{tab.Tell(at, on, &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 1}), here + visit},
		{tab.Tell(at, on, &events.ReadingTaken{Quantity: "mass", Value: story.P(3.0), Of: "vessel:p-31"}), here + "vessel:p-31 " + visit},
		{tab.Tell(at, story.On{}, &events.VesselStarted{Vessel: "p-31", Origin: "lark-hill"}), "site:lark-hill vessel:p-31"},
		{tab.Tell(at, story.On{}, &events.VesselEmptied{Vessel: "p-31", To: "d-1"}), "vessel:d-1 vessel:p-31"},
		{office.Tell(at, story.On{}, &events.FluidSpecified{Fluid: "BF-A"}), "fluid:BF-A"},
		{office.Tell(at, story.On{Machine: "nw-01"}, &events.MachineEntered{Class: "sink", Fluid: "BF-A"}), "machine:nw-01"},
		{office.Tell(at, story.On{Machine: "nw-01"}, &events.MachineMoved{To: "lark-hill"}), "machine:nw-01 site:lark-hill"},
		{tab.Tell(at, story.On{}, &events.InstrumentChecked{Instrument: "stick-1", Result: "pass"}), "instrument:stick-1"},
		{tab.Amend(at, &removed, events.RecordAmended{Machine: "nw-02", Visit: story.Visit(1), Site: "lark-hill"}),
			"machine:nw-01 machine:nw-02 site:lark-hill site:north-yard " + visit},
		{tab.Amend(at, &removed, events.RecordAmended{Body: story.Body(&events.FluidRemoved{From: "bath", To: "p-32", What: "sludge", Volume: 12})}),
			here + "vessel:p-32 " + visit},
		{office.Amend(at, &removed, events.RecordAmended{Body: story.Body(&events.FluidSpecified{Fluid: "BF-B", Hazards: []string{"irritant"}})}),
			"fluid:BF-B " + here + visit},
		{tab.Withdraw(at, &removed), here + visit},
		{tab.Tell(at, story.On{}, &events.VisitOpened{}), ""},
	} {
		body := projections.Read(c.a.Record.Kind, c.a.Record.V, c.a.Record.Body).Body
		keys := projections.Touches(&c.a.Record, body)
		got := ""
		for i, k := range keys {
			if i > 0 {
				got += " "
			}
			got += k.String()
		}
		if got != c.want {
			t.Errorf("%s: %s; want %s", c.a.Record.Kind, got, c.want)
		}
	}
	if keys := projections.Touches(&removed.Record, nil); len(keys) != 3 {
		t.Errorf("unreadable: %v", keys)
	}
}

func TestTargetOf(t *testing.T) {
	w := newTale()
	w.litres("a", w.tab, 170, "")
	w.withdraw("b", w.tab, "R", "")
	w.admit("c", w.office, "R")
	for _, name := range w.names {
		r := &w.by[name].Record
		target, ok := projections.TargetOf(projections.Read(r.Kind, r.V, r.Body).Body)
		if ok != (name != "R") || ok && target != w.by["R"].Target() {
			t.Errorf("%s: %+v, %v", name, target, ok)
		}
	}
}

// A machine rests on what its records name, as they count: not on its own tanks, and not on what moved elsewhere.
func TestNeeds(t *testing.T) {
	tab, office := &story.Teller{Device: "tab-1"}, &story.Teller{Device: "office-1", Office: true}
	on := story.On{Machine: "nw-01"}
	at := "2026-03-02T08:00:00Z"
	removed := tab.Tell(at, on, &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, Instrument: "pail-1"})
	moved := tab.Tell(at, on, &events.FluidRemoved{From: "bath", To: "p-99", What: "sludge", Volume: 12})
	h := projections.Resolve([]projections.Arrival{
		office.Tell(at, on, &events.MachineEntered{Class: "sink", Fluid: "BF-A", Tanks: sink.Tanks}), removed, moved,
		tab.Amend(at, &removed, events.RecordAmended{Body: story.Body(&events.FluidRemoved{From: "bath", To: "p-32", What: "sludge", Volume: 12, Instrument: "pail-1"})}),
		tab.Amend(at, &moved, events.RecordAmended{Machine: "nw-02"}),
		tab.Tell(at, on, &events.FluidAdded{From: "tap", To: "rinse", Product: "water", Volume: 1}),
		tab.Tell(at, on, &events.DoseAdded{Product: "pH-up", Mass: story.P(1.0)}),
		tab.Tell(at, on, &events.ReadingTaken{Quantity: "mass", Value: story.P(1.0), Of: "vessel:p-7", Instrument: "scale-1"}),
		tab.Tell(at, on, &events.PartSwapped{Position: "filter", Out: &events.PartOut{Part: "F-25"}, In: &events.PartIn{Part: "F-50"}}),
	}, projections.Now)
	want := "[class:sink fluid:BF-A fluid:pH-up instrument:pail-1 instrument:scale-1 part:F-25 part:F-50 vessel:p-32 vessel:p-7]"
	if got := fmt.Sprint(projections.Needs("nw-01", h)); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}
