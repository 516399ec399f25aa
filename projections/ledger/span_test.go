package ledger

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// 100 + 20 - 119 = 1 L; u = sqrt(1 + 0.25 + 1) = 1.5 L. 1 is not beyond max(2 * 1.5, 1).
func TestVisit(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 119, 1, fresh(20, 0.5))
	x := s.only()
	is(t, "start", x.Start, 100, 1, 1e-6)
	is(t, "end", x.End, 119, 1, 1e-6)
	is(t, "added", &x.Added, 20, 0.5, 1e-6)
	is(t, "unexplained", x.Unexplained, 1, 1.5, 1e-6)
	is(t, "expected", &x.ExpectedLoss, 0, 0, 0)
	grade(t, "visit", x, None, BySpan)
	if x.Kind != OfVisit || x.Visit != ID(story.Visit(1)) || x.Verdict != Undecided || x.BathLost != nil || x.WaterLost != nil {
		t.Errorf("got %+v", x)
	}
}

// Every term with its sign: 100 + 20 added + 15 returned - 12 removed - 6 spilled - 117 = 0 L. A dose of 0.5 L is
// added too: 0.5 L. u = sqrt(1 + 1 + 6 * 0.09) with 0.3 for each flow (two removals) = sqrt(2.54) = 1.593738.
func TestTerms(t *testing.T) {
	s := newTale(t)
	u := story.P(0.3)
	s.visit("2026-04-07", 1, 100, 117, 1,
		&events.FluidAdded{From: "tap", To: "bath", Product: "water", Volume: 20, U: u},
		&events.FluidReturned{From: "h-1", To: "bath", Volume: 15, U: u},
		&events.FluidRemoved{From: "bath", To: "p-31", What: "oil", Volume: 5, U: u},
		&events.FluidRemoved{From: "bath", To: "drain", What: "bath", Volume: 7, U: u},
		&events.FluidSpilled{From: "bath", Volume: 6, U: u, Reached: "bund", RecoveredL: story.P(5.0)}, // counts whole
		&events.DoseAdded{Product: "PH-UP", Volume: story.P(0.5), U: u},
		&events.FluidRemoved{From: "floor", To: "p-31", What: "bath", Volume: 5, U: u}, // no flow of the bath
		&events.BathRenewed{Volume: story.P(150.0)},                                    // moves nothing
		&events.VesselEmptied{Vessel: "p-31", To: "bath", Volume: story.P(3.0)},        // what comes of it in the bath has its own record
	)
	x := s.only()
	is(t, "added", &x.Added, 20.5, math.Sqrt(0.18), 1e-6)
	is(t, "returned", &x.Returned, 15, 0.3, 1e-6)
	is(t, "removed", &x.Removed, 12, math.Sqrt(0.18), 1e-6)
	is(t, "spilled", &x.Spilled, 6, 0.3, 1e-6)
	is(t, "told", &x.Told, 0, 0, 0)
	is(t, "unexplained", x.Unexplained, 0.5, 1.593738, 1e-6)
	var terms []string
	for _, f := range x.Flows {
		terms = append(terms, f.Term)
	}
	if want := []string{"added", "returned", "removed", "removed", "spilled", "added"}; !slices.Equal(terms, want) {
		t.Errorf("flows: got %v, want %v", terms, want)
	}
	if f := x.Flows[4]; f.To != "bund" || *f.L != 6 {
		t.Errorf("spill: got %+v", f)
	}
	if f := x.Flows[5]; f.From != "stock" || f.To != "bath" {
		t.Errorf("dose: got %+v", f)
	}
}

// A leak between two visits: 120 - 100 = 20 L, u = sqrt(2) = 1.414214: beyond 3u = 4.24.
func TestLeak(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 110, 120, 1, fresh(10, 0.5))
	s.visit("2026-04-14", 2, 100, 120, 1, fresh(20, 0.5))
	all := s.spans("bath")
	if got := kinds(all); !slices.Equal(got, []Kind{OfVisit, Between, OfVisit}) {
		t.Fatalf("kinds: got %v", got)
	}
	grade(t, "first visit", all[0], None, BySpan)
	is(t, "between", all[1].Unexplained, 20, math.Sqrt2, 1e-6)
	grade(t, "between", all[1], Say, BySpan)
	if want := "between 17 and 23 litres are not explained by what was measured"; all[1].Words != want { // 20 - 2.83, 20 + 2.83
		t.Errorf("words: got %q, want %q", all[1].Words, want)
	}
	if all[1].Visit != (ID{}) || !strings.Contains(text(t, all[1]), `"visit":null`) {
		t.Errorf("a span between visits has none")
	}
	grade(t, "second visit", all[2], None, BySpan) // what leaked before is not held against it
}

// A gain: 100 - 130 = -30 L.
func TestGain(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.visit("2026-04-14", 2, 130, 130, 1)
	x := s.spans("bath")[1]
	is(t, "between", x.Unexplained, -30, math.Sqrt2, 1e-6)
	grade(t, "between", x, Say, BySpan)
	if want := "a gain of between 27 and 33 litres is not explained by what was measured"; x.Words != want {
		t.Errorf("words: got %q, want %q", x.Words, want)
	}
}

// The stick was misread by 20 L on arrival: between 120 - 98 = 22 L missing, and in the visit 98 + 2 - 120 = -20 L, a
// gain. Amended to 118 it is 2 L and 0 L.
func TestMisread(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 120, 120, 1)
	s.warm20("2026-04-14", 2)
	misread := s.on("2026-04-14T08:00:00Z", 2, volume("arrival", 98, 1))
	s.on("2026-04-14T09:00:00Z", 2, fresh(2, 0.25))
	s.on("2026-04-14T10:00:00Z", 2, volume("departure", 120, 1))
	before := s.spans("bath")
	is(t, "between", before[1].Unexplained, 22, math.Sqrt2, 1e-6)
	grade(t, "between", before[1], Say, BySpan)
	is(t, "visit", before[2].Unexplained, -20, math.Sqrt(2.0625), 1e-6)
	grade(t, "visit", before[2], Say, BySpan)

	s.keep(s.device.Amend("2026-04-15T08:00:00Z", misread, events.RecordAmended{Body: story.Body(volume("arrival", 118, 1))}))
	after := s.spans("bath")
	is(t, "between", after[1].Unexplained, 2, math.Sqrt2, 1e-6)
	grade(t, "between", after[1], None, BySpan)
	is(t, "visit", after[2].Unexplained, 0, math.Sqrt(2.0625), 1e-6)
	grade(t, "visit", after[2], None, BySpan)
}

// A can tapped twice: 100 + 9 + 9 - 109 = 9 L. Without the second one 0 L.
func TestWithdrawn(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 109, 1, fresh(9, 0.25))
	twice := s.on("2026-04-07T09:30:00Z", 1, fresh(9, 0.25))
	is(t, "twice", s.only().Unexplained, 9, math.Sqrt(2.125), 1e-6)
	grade(t, "twice", s.only(), Say, BySpan)
	s.keep(s.device.Withdraw("2026-04-08T08:00:00Z", twice))
	is(t, "once", s.only().Unexplained, 0, math.Sqrt(2.0625), 1e-6)
	grade(t, "once", s.only(), None, BySpan)
}

// A whole visit was recorded on m-1 and belongs to m-2: m-1 keeps nothing of it, and m-2 gains it.
func TestAnotherMachine(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 120, 1, fresh(20, 0.5))
	for _, a := range slices.Clone(s.all) {
		s.keep(s.device.Amend("2026-04-08T08:00:00Z", &a, events.RecordAmended{Machine: "m-2"}))
	}
	if got := s.fold(); len(got.Spans) != 0 || got.Running.Grade != CannotTell {
		t.Errorf("m-1: got %+v", got)
	}
	s.machine = "m-2"
	is(t, "m-2", s.only().Unexplained, 0, 1.5, 1e-6)
}

// A flow belongs to the visit that it names, whatever its time; here one that was entered with yesterday's time.
func TestFlowBeforeArrival(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.visit("2026-04-14", 2, 100, 120, 1)
	s.on("2026-04-13T09:00:00Z", 2, fresh(20, 0.5))
	all := s.spans("bath")
	is(t, "between", all[1].Unexplained, 0, math.Sqrt2, 1e-6)
	is(t, "visit", all[2].Unexplained, 0, 1.5, 1e-6)
	grade(t, "visit", all[2], None, BySpan)
}

// A flow that names no visit goes by its time: 100 + 20 - 120 = 0 between the visits.
func TestFlowWithoutVisit(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.visit("2026-04-14", 2, 120, 120, 1)
	s.on("2026-04-10T09:00:00Z", 0, fresh(20, 0.5))
	all := s.spans("bath")
	is(t, "between", all[1].Unexplained, 0, 1.5, 1e-6)
	if all[1].Kind != Between || len(all[1].Flows) != 1 {
		t.Errorf("got %s with %d flows", all[1].Kind, len(all[1].Flows))
	}
}

// The departure dip of visit 1 was forgotten: from its arrival to the next arrival, 100 + 20 - 5 - 112 = 3 L, is mixed
// and holds its flows, even one that was entered with a time after the next visit.
func TestForgottenDeparture(t *testing.T) {
	s := newTale(t)
	s.on("2026-04-07T08:00:00Z", 1, volume("arrival", 100, 1))
	s.on("2026-04-07T08:01:00Z", 1, temperature("arrival", 20))
	s.on("2026-04-07T09:00:00Z", 1, fresh(20, 0.5))
	s.visit("2026-04-14", 2, 112, 112, 1)
	s.on("2026-04-15T09:00:00Z", 1, taken(5, 0.5))
	all := s.spans("bath")
	if got := kinds(all); !slices.Equal(got, []Kind{Mixed, OfVisit}) {
		t.Fatalf("kinds: got %v", got)
	}
	is(t, "mixed", all[0].Unexplained, 3, math.Sqrt(2.5), 1e-6)
	if all[0].Visit != (ID{}) {
		t.Error("a mixed span is no visit's")
	}
}

// The arrival dip of visit 2 was forgotten: from the last departure to its departure is mixed, and holds its flows, even
// one that was entered with a later time: 100 + 18 + 2 - 119 = 1 L, u = sqrt(2 + 0.25 + 0.04).
func TestForgottenArrival(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.on("2026-04-14T09:00:00Z", 2, fresh(18, 0.5))
	s.on("2026-04-14T09:59:00Z", 2, temperature("departure", 20))
	s.on("2026-04-14T10:00:00Z", 2, volume("departure", 119, 1))
	s.on("2026-04-14T10:30:00Z", 2, fresh(2, 0.2))
	all := s.spans("bath")
	if got := kinds(all); !slices.Equal(got, []Kind{OfVisit, Mixed}) {
		t.Fatalf("kinds: got %v", got)
	}
	is(t, "mixed", all[1].Unexplained, 1, math.Sqrt(2.29), 1e-6)
}

// Visit 2 measured nothing and added 20 L: they count by their time, and the span from visit 1 to visit 3 is mixed.
// 100 + 20 - 118 = 2 L. Had it done nothing to the bath, the span would be between.
func TestVisitWithoutVolumes(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.on("2026-04-10T08:30:00Z", 2, &events.WorkStarted{FoundBy: "scan"})
	s.visit("2026-04-14", 3, 118, 118, 1)
	if got := s.spans("bath")[1].Kind; got != Between {
		t.Errorf("without flows: got %s, want %s", got, Between)
	}
	s.on("2026-04-10T09:00:00Z", 2, fresh(20, 0.5))
	x := s.spans("bath")[1]
	is(t, "mixed", x.Unexplained, 2, 1.5, 1e-6)
	if x.Kind != Mixed {
		t.Errorf("with a flow: got %s, want %s", x.Kind, Mixed)
	}
}

// Two works in one visit: the last arrival and the last departure count, and all flows are the visit's.
// 101 + 10 + 10 - 120 = 1 L.
func TestTwoWorks(t *testing.T) {
	s := newTale(t)
	day := "2026-04-07T"
	s.warm20("2026-04-07", 1)
	s.on(day+"08:00:00Z", 1, volume("arrival", 99, 1))
	s.on(day+"08:05:00Z", 1, volume("arrival", 101, 1)) // dipped again
	s.on(day+"08:30:00Z", 1, fresh(10, 0.5))
	s.on(day+"09:00:00Z", 1, volume("departure", 111, 1))
	s.on(day+"09:00:30Z", 1, &events.WorkEnded{Outcome: "partial"})
	s.on(day+"09:10:00Z", 1, &events.WorkStarted{FoundBy: "list"})
	s.on(day+"09:30:00Z", 1, fresh(10, 0.5))
	s.on(day+"10:00:00Z", 1, volume("departure", 120, 1))
	x := s.only()
	is(t, "visit", x.Unexplained, 1, math.Sqrt(2.5), 1e-6)
	if x.From.String() != day+"08:05:00Z" || x.To.String() != day+"10:00:00Z" || len(x.Flows) != 2 {
		t.Errorf("got from %v to %v with %d flows", x.From, *x.To, len(x.Flows))
	}
}

// Readings in between, without a moment, of a limit, of what was not read, and of other things end no span.
func TestNoEnds(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	for _, change := range []func(r *events.ReadingTaken){
		func(r *events.ReadingTaken) { r.Moment = "working" },
		func(r *events.ReadingTaken) { r.Moment = "" },
		func(r *events.ReadingTaken) { r.Limit = "below" },
		func(r *events.ReadingTaken) {
			r.Value, r.NotRead, r.Why = nil, story.P(true), events.Text{Plain: "foam"}
		},
		func(r *events.ReadingTaken) { r.Of = "vessel:p-31" },
		func(r *events.ReadingTaken) { r.Quantity, r.Unit = "mass", "kg" },
		func(r *events.ReadingTaken) { r.Quantity, r.Unit = "level", "mm" }, // no shape is known
		func(r *events.ReadingTaken) { r.Value = story.P(2e6) },
	} {
		r := volume("departure", 50, 1)
		change(r)
		s.on("2026-04-07T11:00:00Z", 1, r)
	}
	is(t, "visit", s.only().Unexplained, 0, math.Sqrt2, 1e-6)
}

// Readings with a moment but without a visit are known volumes; what lies beside them is mixed.
func TestReadingWithoutVisit(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.on("2026-04-08T08:00:00Z", 0, volume("arrival", 99, 1))
	s.on("2026-04-09T08:00:00Z", 0, volume("arrival", 98, 1))
	if got := kinds(s.spans("bath")); !slices.Equal(got, []Kind{OfVisit, Mixed, Mixed}) {
		t.Errorf("kinds: got %v", got)
	}
}

// Two tanks have two lines. 5 L went from the wash to the rinse tank: wash 100 - 5 - 95 = 0 L, rinse 50 + 5 - 54 = 1 L.
// What is unnamed, and "bath", is the first tank. Before the office entered the machine it was called bath.
func TestTwoTanks(t *testing.T) {
	s := newTale(t)
	tank := func(name events.Code) events.Tank {
		return events.Tank{Tank: name, Shape: "rectangular", LengthMm: story.P(900.0), WidthMm: story.P(600.0), HeightMm: story.P(500.0)}
	}
	of := func(tank string, r *events.ReadingTaken) *events.ReadingTaken {
		r.Of = tank
		return r
	}
	s.on("2019-12-01T08:00:00Z", 9, volume("arrival", 90, 1)) // before the entry
	s.on("2019-12-01T09:00:00Z", 9, &events.FluidAdded{From: "van", To: "wash", Volume: 10, U: story.P(0.5)})
	s.on("2019-12-01T10:00:00Z", 9, volume("departure", 100, 1))
	s.enter(&events.MachineEntered{Class: "sink", Tanks: []events.Tank{tank("wash"), tank("rinse")}})
	day := "2026-04-07T"
	s.on(day+"08:00:00Z", 1, volume("arrival", 100, 1))
	s.on(day+"08:01:00Z", 1, of("rinse", volume("arrival", 50, 1)))
	s.on(day+"09:00:00Z", 1, &events.FluidRemoved{From: "wash", To: "rinse", What: "rinse", Volume: 5, U: story.P(0.5)})
	s.on(day+"10:00:00Z", 1, of("bath", volume("departure", 95, 1)))
	s.on(day+"10:01:00Z", 1, of("rinse", volume("departure", 54, 1)))
	wash, rinse := s.spans("wash"), s.spans("rinse")
	if len(wash) != 3 || len(rinse) != 1 {
		t.Fatalf("got %d and %d closed spans, want 3 and 1", len(wash), len(rinse))
	}
	is(t, "wash, before the entry", wash[0].Unexplained, 0, math.Sqrt(2+0.25+0.0324+0.04), 1e-6)
	// Without temperatures each end has 0.2 % of V more: 0.2 and 0.19 L; 0.1 and 0.108 L.
	is(t, "wash", wash[2].Unexplained, 0, math.Sqrt(2+0.25+0.04+0.0361), 1e-6)
	is(t, "rinse", rinse[0].Unexplained, 1, math.Sqrt(2+0.25+0.01+0.011664), 1e-6)
	is(t, "removed", &wash[2].Removed, 5, 0.5, 1e-6)
	is(t, "added", &rinse[0].Added, 5, 0.5, 1e-6)
	l := s.fold()
	if l.Running.Tank != "wash" || len(l.Running.Others) != 1 || l.Running.Others[0].Tank != "rinse" {
		t.Errorf("running: got %+v", l.Running)
	}
	for i := 1; i < len(l.Spans); i++ {
		if l.Spans[i].From.At < l.Spans[i-1].From.At {
			t.Error("spans do not ascend by from")
		}
	}
}

// The tail is open: mixed, with nothing known of its end, and it holds what came after the last known volume.
func TestOpenTail(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.on("2026-04-09T09:00:00Z", 0, fresh(20, 0.5))
	all := s.fold().Spans
	x := all[len(all)-1]
	if x.Kind != Mixed || x.To != nil || x.End != nil || x.Unexplained != nil || x.WithoutTold != nil || x.Grade != CannotTell || x.Because != ByOpenEnd {
		t.Errorf("got %+v", x)
	}
	if got := text(t, x); !strings.Contains(got, `"to":null`) || !strings.Contains(got, `"end_l":null`) || !strings.Contains(got, `"unexplained_l":null`) {
		t.Errorf("got %s", got)
	}
	is(t, "added", &x.Added, 20, 0.5, 1e-6)
}

// What came before the first known volume is in no span, and is not lost.
func TestBefore(t *testing.T) {
	s := newTale(t)
	s.on("2026-04-01T09:00:00Z", 0, fresh(100, 1))
	s.on("2026-04-07T07:00:00Z", 1, &events.HistoryTold{What: "water-added", Volume: story.P(40.0)})
	s.visit("2026-04-07", 1, 100, 100, 1)
	l := s.fold()
	if len(l.Before.Flows) != 1 || len(l.Before.Accounts) != 1 {
		t.Errorf("got %+v", l.Before)
	}
	is(t, "visit", s.only().Unexplained, 0, math.Sqrt2, 1e-6)
}

// A machine of which nothing is known has a ledger too, with lists and without nulls in their place.
func TestNothing(t *testing.T) {
	got := text(t, Fold(projections.Input{Machine: "m-1"}))
	want := `{"machine":"m-1","spans":[],"running":{"tank":"bath","since":"first","from":null,"to":null,"start_l":null,"end_l":null,` +
		`"added_l":{"value":0,"u":0},"returned_l":{"value":0,"u":0},"told_l":{"value":0,"u":0},"removed_l":{"value":0,"u":0},"spilled_l":{"value":0,"u":0},` +
		`"expected_loss_l":{"value":0,"u":0},"unexplained_l":null,"unexplained_without_told_l":null,"grade":"cannot-tell",` +
		`"words":"cannot tell: there are no two known volumes yet","others":[]},"reconciled":[],"vessels":[],"before":{"flows":[],"told":[]}}`
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
