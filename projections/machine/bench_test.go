package machine

import (
	"testing"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

func BenchmarkResults(b *testing.B) {
	tab, office := &story.Teller{Device: "tab-1"}, &story.Teller{Device: "office-1", Office: true}
	all := []projections.Arrival{office.Tell("2026-03-01T09:00:00Z", first, &events.MachineEntered{Class: "sink", Tanks: []events.Tank{
		{Tank: "bath", Shape: "horizontal-cylinder", DiameterMm: story.P(600.0), LengthMm: story.P(900.0)}}})}
	for i := range 50 {
		on := first
		on.Visit = story.Visit(byte(i))
		at := story.At("2026-03-02T09:00:00Z").AddDate(0, 0, i).Format(time.RFC3339)
		for _, body := range []events.Body{
			&events.ReadingTaken{Quantity: "volume", Value: story.P(150.0), Method: "dip", Moment: "arrival"},
			&events.ReadingTaken{Quantity: "ph", Value: story.P(8.5), Moment: "arrival"},
			&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12},
			&events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 20},
			&events.PartSwapped{Position: "filter", In: &events.PartIn{Part: "F-50"}},
			&events.ReadingTaken{Quantity: "volume", Value: story.P(158.0), Method: "dip", Moment: "departure"},
		} {
			all = append(all, tab.Tell(at, on, body))
		}
	}
	h := projections.Resolve(all, projections.Now)
	in := projections.Input{Machine: "nw-01", History: h, Register: projections.NewRegister(h), Bounds: projections.Now}
	b.Run("results", func(b *testing.B) {
		for b.Loop() {
			Results(in)
		}
	})
	b.Run("state", func(b *testing.B) {
		for b.Loop() {
			Fold(in)
		}
	})
	b.Run("register", func(b *testing.B) {
		for b.Loop() {
			projections.NewRegister(h)
		}
	})
	b.Run("needs", func(b *testing.B) {
		for b.Loop() {
			projections.Needs("nw-01", h)
		}
	})
}
