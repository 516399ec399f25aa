package due_test

import (
	"testing"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/due"
)

func at(t *testing.T, s string) events.Millis {
	t.Helper()
	x, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return events.MillisOf(x)
}

// fact is a record of a body that stands at a time, at +01:00.
func fact(t *testing.T, done string, site events.SiteID, machine events.MachineID, b events.Body) projections.Fact {
	t.Helper()
	when := at(t, done)
	return projections.Fact{Arrival: &projections.Arrival{}, State: projections.Stands, Done: when, At: when, Zone: 60, Site: site, Machine: machine, Body: b}
}

func history(facts ...projections.Fact) projections.History {
	return projections.History{All: facts, Facts: facts}
}

func TestDue(t *testing.T) {
	four, none := 4.0, 0.0
	site := fact(t, "2026-01-01T08:00:00+01:00", "quay", "", &events.SiteEntered{Customer: "C-1"})
	machine := fact(t, "2026-01-01T08:00:00+01:00", "quay", "m-1", &events.MachineEntered{Class: "sink"})
	agreed := func(n *float64) projections.Fact {
		return fact(t, "2026-01-01T08:00:00+01:00", "", "", &events.AgreementSet{Customer: "C-1", VisitsAYear: n})
	}
	retired := fact(t, "2026-05-01T08:00:00+02:00", "quay", "m-1", &events.MachineRetired{})
	ended := func(done string, outcome events.Word) projections.Fact {
		return fact(t, done, "quay", "m-1", &events.WorkEnded{Outcome: outcome})
	}
	for _, c := range []struct {
		name     string
		register []projections.Fact
		records  []projections.Fact
		want     string // empty: not known
		why      string
	}{
		// 365 / 4 is 91.25: at most 91 whole days. 2 March and 91 days is 1 June.
		{"four a year", []projections.Fact{site, machine, agreed(&four)}, []projections.Fact{ended("2026-03-02T10:00:00+01:00", "complete")}, "2026-06-01",
			"4 visits a year leave at most 91 days between two; work on it was last ended on 2026-03-02"},
		{"a refused visit is none", []projections.Fact{site, machine, agreed(&four)},
			[]projections.Fact{ended("2026-03-02T10:00:00+01:00", "partial"), ended("2026-03-20T10:00:00+01:00", "refused")}, "2026-06-01",
			"4 visits a year leave at most 91 days between two; work on it was last ended on 2026-03-02"},
		{"local day", []projections.Fact{site, machine, agreed(&four)}, []projections.Fact{ended("2026-03-02T00:30:00+01:00", "complete")}, "2026-06-01",
			"4 visits a year leave at most 91 days between two; work on it was last ended on 2026-03-02"},
		{"never", []projections.Fact{site, machine, agreed(&four)}, nil, "", "no work on it was ended yet"},
		{"no agreement", []projections.Fact{site, machine}, []projections.Fact{ended("2026-03-02T10:00:00+01:00", "complete")}, "", "no agreement says how often"},
		{"an agreement of none", []projections.Fact{site, machine, agreed(&none)}, []projections.Fact{ended("2026-03-02T10:00:00+01:00", "complete")}, "", "no agreement says how often"},
		{"retired", []projections.Fact{site, machine, agreed(&four), retired}, []projections.Fact{ended("2026-03-02T10:00:00+01:00", "complete")}, "", "the machine is retired"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := projections.Input{Machine: "m-1", History: history(c.records...), Bounds: projections.Now}
			got := due.Fold(in, projections.NewRegister(history(c.register...)), time.LoadLocation)
			if (got.Due == nil) != (c.want == "") || got.Due != nil && *got.Due != c.want {
				t.Errorf("due %v, want %q", got.Due, c.want)
			}
			if got.Why != c.why {
				t.Errorf("why %q, want %q", got.Why, c.why)
			}
		})
	}
}
