package waste_test

import (
	"math"
	"testing"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/waste"
)

func fact(t *testing.T, done string, site events.SiteID, b events.Body) projections.Fact {
	t.Helper()
	x, err := time.Parse(time.RFC3339, done)
	if err != nil {
		t.Fatal(err)
	}
	when := events.MillisOf(x)
	_, offset := x.Zone()
	return projections.Fact{Arrival: &projections.Arrival{}, State: projections.Stands, Done: when, At: when, Zone: offset / 60, Site: site, Body: b}
}

func number(x float64) *float64 { return &x }

// TestFillings follows two vessels by hand: p-1 is filled twice, the first time weighed when it is handed over; p-2 is
// never weighed, and poured into p-1's second filling.
func TestFillings(t *testing.T) {
	facts := []projections.Fact{
		fact(t, "2026-03-31T23:30:00+01:00", "quay", &events.VesselStarted{Vessel: "p-1", Form: "pail", CapacityL: number(20), TareKg: number(1.1), Use: "waste"}),
		fact(t, "2026-04-01T08:00:00+01:00", "quay", &events.FluidRemoved{From: "bath", To: "p-1", What: "sludge", Volume: 12}),
		fact(t, "2026-04-01T08:10:00+01:00", "quay", &events.FluidRemoved{From: "p-1", To: "drain", What: "bath", Volume: 2}),
		fact(t, "2026-04-01T08:20:00+01:00", "quay", &events.VesselMarked{Vessel: "p-1", Contents: "sludge with oil", Use: "waste"}),
		fact(t, "2026-04-10T08:00:00+02:00", "", &events.VesselHanded{Vessel: "p-1", Kg: number(13.6)}),
		fact(t, "2026-04-11T08:00:00+02:00", "quay", &events.VesselStarted{Vessel: "p-2", Form: "pail", Use: "holding"}),
		fact(t, "2026-04-11T08:05:00+02:00", "quay", &events.FluidRemoved{From: "bath", To: "p-2", What: "oil", Volume: 4, Kg: number(3.5)}),
		fact(t, "2026-04-11T08:10:00+02:00", "quay", &events.VesselStarted{Vessel: "p-1", Form: "pail", Origin: "slip", Use: "waste"}),
		fact(t, "2026-04-11T08:20:00+02:00", "quay", &events.VesselEmptied{Vessel: "p-2", To: "p-1"}),
	}
	site := fact(t, "2026-01-01T08:00:00+01:00", "quay", &events.SiteEntered{Zone: "Etc/GMT-3"})
	reg := projections.NewRegister(projections.History{Facts: []projections.Fact{site}})
	got := waste.Fold(projections.History{All: facts, Facts: facts}, reg, time.LoadLocation)
	if len(got) != 2 {
		t.Fatalf("%d months, want 2: %+v", len(got), got)
	}
	quay, slip := got[0], got[1]
	// 23:30 at +01:00 is 01:30 of 1 April at +03:00, where the site is.
	if quay.Site != "quay" || quay.Month != "2026-04" || len(quay.Fillings) != 2 {
		t.Fatalf("quay: %+v", quay)
	}
	first := quay.Fillings[0]
	if first.Vessel != "p-1/1" || first.L != 10 || first.Basis != "weighed" || math.Abs(float64(first.Kg)-12.5) > 1e-9 || first.Handed == nil || *first.Contents != "sludge with oil" {
		t.Errorf("p-1/1: %+v, want 10 L, 13.6 - 1.1 = 12.5 kg weighed, handed", first)
	}
	if held := quay.Fillings[1]; held.Vessel != "p-2/1" || held.L != 0 || held.Basis != "weighed" || held.Handed != nil {
		t.Errorf("p-2/1: %+v, want emptied, weighed on its way in", held)
	}
	if quay.Kg != 12.5 {
		t.Errorf("quay %v kg, want 12.5: what is only held is no waste", quay.Kg)
	}
	// 4 L of water at 20 degrees: 3.99284 kg.
	if second := slip.Fillings[0]; slip.Site != "slip" || second.Vessel != "p-1/2" || second.L != 4 || second.Basis != "estimated" || math.Abs(float64(second.Kg)-3.99284) > 1e-9 {
		t.Errorf("p-1/2: %+v, want 4 L from p-2, estimated 3.99284 kg, of its own origin", second)
	}
}
