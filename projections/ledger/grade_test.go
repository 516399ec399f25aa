package ledger

import (
	"fmt"
	"math"
	"math/rand"
	"slices"
	"testing"

	"ullage/events"
	"ullage/projections/internal/story"
)

// A look is beyond max(2u, 1 L), a say beyond max(3u, 1 L); a limit itself is not beyond. Where the expected loss is
// less certain than half of it, a look cannot be told, and a say stands.
func TestJudge(t *testing.T) {
	for _, c := range []struct {
		x, u     float64
		expected measured
		want     Grade
	}{
		{4, 2, measured{}, None},
		{4.000001, 2, measured{}, Look},
		{-4.000001, 2, measured{}, Look},
		{6, 2, measured{}, Look},
		{6.000001, 2, measured{}, Say},
		{-6.000001, 2, measured{}, Say},
		{1, 0.1, measured{}, None}, // the floor
		{-1, 0, measured{}, None},
		{1.000001, 0.1, measured{}, Say},
		{0.9, 0.4, measured{}, None},
		{2.1, 0.7, measured{}, Look}, // 3u is 2.1, though 3 * 0.7 is a little less in binary
		{5, 2, measured{l: 2, own: 1}, Look},
		{5, 2, measured{l: 2, own: 1.000001}, CannotTell},
		{3, 2, measured{l: 2, own: 1.5}, None},
		{7, 2, measured{l: 2, own: 1.5}, Say},
		{5, 2, measured{own: 0.1}, CannotTell},
	} {
		a := account{l: c.x, square: c.u * c.u}
		if got := judge(&a, c.expected).grade; got != c.want {
			t.Errorf("x %v, u %v, expected %+v: got %s, want %s", c.x, c.u, c.expected, got, c.want)
		}
	}
}

// With u 1 at each end u is 1.414, a look begins at 2.83 and a say at 4.24. 3.5 L twice running, the same way, can be
// said of both spans; with a gain of 3.5 L after the loss it is a look twice.
func TestNeighbours(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 96.5, 1)
	if x := s.only(); true {
		grade(t, "alone", x, Look, BySpan)
		if want := "between 0.6 and 6.4 litres are not explained by what was measured; measure again"; x.Words != want { // 3.5 - 2.828, 3.5 + 2.828
			t.Errorf("words: got %q, want %q", x.Words, want)
		}
	}
	s.visit("2026-04-14", 2, 93, 93, 1)
	all := s.spans("bath")
	grade(t, "first", all[0], Say, ByNeighbours)
	grade(t, "second", all[1], Say, ByNeighbours)
	grade(t, "third", all[2], None, BySpan)

	s = newTale(t)
	s.visit("2026-04-07", 1, 100, 96.5, 1)
	s.visit("2026-04-14", 2, 100, 100, 1)
	all = s.spans("bath")
	grade(t, "loss", all[0], Look, BySpan)
	grade(t, "gain", all[1], Look, BySpan)

	// A say counts as a look for its neighbour: 5 L, then 3.5 L.
	s = newTale(t)
	s.visit("2026-04-07", 1, 100, 95, 1)
	s.visit("2026-04-14", 2, 91.5, 91.5, 1)
	all = s.spans("bath")
	grade(t, "say", all[0], Say, BySpan)
	grade(t, "beside it", all[1], Say, ByNeighbours)
}

// What a customer told belongs to the span that ends at the arrival of its visit, though it is told after it; given u
// or a quarter. The balance is made with it and without it, and the smaller of the two grades counts.
func TestTold(t *testing.T) {
	for _, c := range []struct {
		name       string
		told       events.HistoryTold
		next       float64 // found, after 100 were left
		l, u       float64
		with, less float64
		grade      Grade
		counts     bool
		words      string
	}{
		// u = sqrt(2 + 9): 100 + 12 - 111 = 1 L. Without, a gain of 11 L, which alone would be a say.
		{"explains a gain", events.HistoryTold{What: "water-added", Volume: story.P(12.0)}, 111, 12, 3, 1, -11, None, true,
			"what is not explained by what was measured and told cannot be told from zero"},
		// 100 + 12 - 100 = 12 L, which alone would be a say: nothing came of what was told. Without, 0.
		{"is not in the tank", events.HistoryTold{What: "fluid-added", Volume: story.P(12.0), U: story.P(1.0)}, 100, 12, 1, 12, 0, None, false,
			"what is not explained by what was measured, what was told left aside cannot be told from zero"},
		// 100 - 8 - 92 = 0.
		{"explains a loss", events.HistoryTold{What: "drained", Volume: story.P(8.0)}, 92, -8, 2, 0, 8, None, true,
			"what is not explained by what was measured and told cannot be told from zero"},
		// 100 - 4 - 90 = 6 L, u = sqrt(2 + 1): 2u = 3.46, 3u = 5.2. Without 10 L. Say either way; the first of them shows.
		{"explains a part", events.HistoryTold{What: "skimmed", Volume: story.P(4.0)}, 90, -4, 1, 6, 10, Say, true,
			"between 2 and 10 litres are not explained by what was measured and told"},
		// 100 - 4 - 92 = 4 L, u = 1.73, a look; without 8 L, a say. The look counts.
		{"explains enough", events.HistoryTold{What: "spilled", Volume: story.P(4.0)}, 92, -4, 1, 4, 8, Look, true,
			"between 0.5 and 7.5 litres are not explained by what was measured and told; measure again"},
		{"nothing", events.HistoryTold{What: "nothing"}, 90, 0, 0, 10, 10, Say, true,
			"between 7 and 13 litres are not explained by what was measured and told"},
		{"off", events.HistoryTold{What: "off"}, 100, 0, 0, 0, 0, None, true,
			"what is not explained by what was measured and told cannot be told from zero"},
		// It was drained, and nobody knows how much: 10 L cannot be told. A gain would stand, and so it does with "added".
		{"without amount", events.HistoryTold{What: "drained"}, 90, 0, 0, 10, 10, CannotTell, true,
			"cannot tell: somebody at the site told of fluid, but not of how much"},
		{"the other way without amount", events.HistoryTold{What: "water-added", Source: "float-valve"}, 90, 0, 0, 10, 10, Say, true,
			"between 7 and 13 litres are not explained by what was measured and told"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newTale(t)
			s.visit("2026-04-07", 1, 100, 100, 1)
			s.visit("2026-04-14", 2, c.next, c.next, 1, &c.told) // told an hour after the dip
			all := s.spans("bath")
			x := all[1]
			is(t, "told", &x.Told, c.l, c.u, 1e-6)
			is(t, "with", x.Unexplained, c.with, math.Sqrt(2+c.u*c.u), 1e-6)
			is(t, "without", x.WithoutTold, c.less, math.Sqrt2, 1e-6)
			if x.Grade != c.grade || x.CountsTold != c.counts || x.Words != c.words {
				t.Errorf("got %s, told %v, %q", x.Grade, x.CountsTold, x.Words)
			}
			if len(x.Accounts) != 1 || len(x.Flows) != 0 || len(all[2].Accounts) != 0 || len(all[0].Accounts) != 0 {
				t.Errorf("what was told stands in the wrong span")
			}
			is(t, "visit", all[2].Unexplained, 0, math.Sqrt2, 1e-6)
		})
	}
}

// The visit was left with 100 L by the stick, and then 20 L more were put in. Counted in the visit, 20 L are missing
// from it and 20 L came between; counted in the next span both are explained. Nobody can tell: both spans name the
// record.
func TestLateFlow(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	late := s.on("2026-04-07T10:30:00Z", 1, fresh(20, 0.5))
	last := s.fold().Spans // the visit is the last one as yet
	is(t, "visit", last[0].Unexplained, 20, 1.5, 1e-6)
	grade(t, "visit", last[0], CannotTell, ByLateFlow)
	if !slices.Equal(last[1].Torn, []ID{ID(late.Record.ID)}) {
		t.Errorf("open tail: got %v", last[1].Torn)
	}
	s.visit("2026-04-14", 2, 120, 120, 1)
	all := s.spans("bath")
	is(t, "visit", all[0].Unexplained, 20, 1.5, 1e-6) // it stays in the visit
	is(t, "between", all[1].Unexplained, -20, math.Sqrt2, 1e-6)
	for _, x := range all[:2] {
		grade(t, string(x.Kind), x, CannotTell, ByLateFlow)
		if !slices.Equal(x.Torn, []ID{ID(late.Record.ID)}) {
			t.Errorf("%s: got %v, want the late record", x.Kind, x.Torn)
		}
		if want := "cannot tell: fluid was moved after the last reading of the visit; read the volume after the last flow"; x.Words != want {
			t.Errorf("words: got %q", x.Words)
		}
	}
	if !all[0].Flows[0].Late {
		t.Error("the flow is not marked as late")
	}
	grade(t, "next visit", all[2], None, BySpan)
}

// The dip was entered first and the flow a minute later, but the stick had seen it: 100 + 20 - 120 = 0. In the next
// span it would make 20 L. That too changes a grade, and cannot be told from the times.
func TestLateEntry(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 120, 1)
	s.on("2026-04-07T10:01:00Z", 1, fresh(20, 0.5))
	s.visit("2026-04-14", 2, 120, 120, 1)
	all := s.spans("bath")
	is(t, "visit", all[0].Unexplained, 0, 1.5, 1e-6)
	grade(t, "visit", all[0], CannotTell, ByLateFlow)
	grade(t, "between", all[1], CannotTell, ByLateFlow)
}

// 0.3 L after the dip change no grade: 0.3 L against u 1.45 here, none there. At the same time as the dip is not late.
func TestLateWithoutEffect(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 100, 1)
	s.on("2026-04-07T10:30:00Z", 1, fresh(0.3, 0.1))
	s.visit("2026-04-14", 2, 100, 120, 1)
	s.on("2026-04-14T10:00:00Z", 2, fresh(20, 0.5))
	all := s.spans("bath")
	is(t, "visit", all[0].Unexplained, 0.3, math.Sqrt(2.01), 1e-6)
	for _, x := range all {
		grade(t, string(x.Kind), x, None, BySpan)
	}
}

// Four late flows of 1 L and u 0: each alone leaves 100 + 4 - 102 = 2 L and 0 L at none (2u = 2.83) or moves 1 L
// (1 and 1 L): none. All of them moved make -2 and -2 + 4 = ... 100 - 102 = -2 L (none) and 102 + 4 - 102 = 4 L, a look.
func TestLateTogether(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 102, 1)
	for range 4 {
		s.on("2026-04-07T10:30:00Z", 1, fresh(1, 0))
	}
	s.visit("2026-04-14", 2, 102, 102, 1)
	all := s.spans("bath")
	is(t, "visit", all[0].Unexplained, 2, math.Sqrt2, 1e-6)
	grade(t, "visit", all[0], CannotTell, ByLateFlow)
	if len(all[0].Torn) != 4 || len(all[1].Torn) != 4 {
		t.Errorf("got %d and %d records, want 4", len(all[0].Torn), len(all[1].Torn))
	}
}

// A span that a late flow leaves open is no neighbour: between the visits 3.5 L are missing, a look, and so they are
// from visit 2, but only if the 3.5 L that came after its last dip are counted in it.
func TestLateIsNoNeighbour(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-01", 1, 100, 100, 1)
	s.visit("2026-04-07", 2, 96.5, 96.5, 1)
	late := s.on("2026-04-07T10:30:00Z", 2, fresh(3.5, 0.1))
	s.visit("2026-04-14", 3, 100, 100, 1)
	all := s.spans("bath")
	is(t, "between", all[1].Unexplained, 3.5, math.Sqrt2, 1e-6)
	grade(t, "between", all[1], Look, BySpan)
	is(t, "visit 2", all[2].Unexplained, 3.5, math.Sqrt(2.01), 1e-6)
	grade(t, "visit 2", all[2], CannotTell, ByLateFlow)
	grade(t, "after it", all[3], CannotTell, ByLateFlow)
	s.keep(s.device.Amend("2026-04-15T08:00:00Z", late, events.RecordAmended{Done: "2026-04-07T09:30:00Z"}))
	all = s.spans("bath")
	grade(t, "between, with the right time", all[1], Say, ByNeighbours)
	grade(t, "visit 2, with the right time", all[2], Say, ByNeighbours)
	grade(t, "after it, with the right time", all[3], Look, BySpan)
}

// A flow that cannot be counted leaves a loss open if it went out, and a gain if it came in.
func TestFlowWithoutAmount(t *testing.T) {
	dose := &events.DoseAdded{Product: "BF-A", Mass: story.P(30.0)} // no density is known
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 120, 1, dose)
	grade(t, "gain", s.only(), CannotTell, ByFlowWithoutAmount)
	s = newTale(t)
	s.visit("2026-04-07", 1, 100, 80, 1, dose)
	grade(t, "loss", s.only(), Say, BySpan)
}

// 4 L go missing between any two visits, and are put back. u = sqrt(2 * 1.5^2) = 2.12 for such a span: 2u = 4.24, so no
// single one is worth a look. Over two of them 8 L are missing with u = sqrt(4.5 + 0.01) = 2.12, 3u = 6.37.
func TestRunning(t *testing.T) {
	s := newTale(t)
	days := []string{"2026-04-01", "2026-04-02", "2026-04-03", "2026-04-04"}
	for i, day := range days {
		s.visit(day, byte(i+1), 96, 100, 1.5, fresh(4, 0.1))
	}
	all := s.spans("bath")
	for i, x := range all {
		what := string(x.Kind) + " " + x.From.String()
		switch {
		case x.Kind == OfVisit:
			is(t, what, x.Unexplained, 0, math.Sqrt(4.51), 1e-6)
			grade(t, what, x, None, BySpan) // nothing is missing from a visit, whatever runs
		case i == 1:
			is(t, what, x.Unexplained, 4, math.Sqrt(4.5), 1e-6)
			grade(t, what, x, None, BySpan)
		default:
			is(t, what, x.Unexplained, 4, math.Sqrt(4.5), 1e-6)
			grade(t, what, x, Say, ByRunning)
		}
	}
	is(t, "up to the second", all[3].RunningL, 8, math.Sqrt(4.52), 1e-6)                                                  // its own two ends and two flows
	if want := "since 2026-04-01, between 3 and 13 litres are not explained by what was measured"; all[3].Words != want { // 8 - 4.25, 8 + 4.25
		t.Errorf("words: got %q, want %q", all[3].Words, want)
	}
	r := s.fold().Running
	is(t, "running", r.Unexplained, 12, math.Sqrt(4.54), 1e-6) // 96 + 4 * 4 - 100
	is(t, "running, added", &r.Added, 16, 0.2, 1e-6)
	is(t, "running, start", r.Start, 96, 1.5, 1e-6)
	is(t, "running, end", r.End, 100, 1.5, 1e-6)
	if r.Grade != Say || r.Since != SinceFirst || r.From.String() != "2026-04-01T08:00:00Z" || r.To.String() != "2026-04-04T10:00:00Z" {
		t.Errorf("running: got %s since %s, %v to %v", r.Grade, r.Since, r.From, r.To)
	}
}

// The leak is mended: a span with 0.5 L less is not said again because of what ran before it.
func TestRunningMended(t *testing.T) {
	s := newTale(t)
	for i, day := range []string{"2026-04-01", "2026-04-02", "2026-04-03"} {
		s.visit(day, byte(i+1), 96, 100, 1.5, fresh(4, 0.1))
	}
	s.visit("2026-04-10", 4, 99.5, 99.5, 1.5)
	all := s.spans("bath")
	last := all[len(all)-2]
	is(t, "last", last.Unexplained, 0.5, math.Sqrt(4.5), 1e-6)
	grade(t, "last", last, None, BySpan)
	if got := s.fold().Running.Grade; got != Say {
		t.Errorf("running: got %s, want %s", got, Say)
	}
}

// What one span said is not said again of the next ones: 20 L once, then 0.5 L more each time.
func TestRunningOnce(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-01", 1, 100, 100, 1)
	s.visit("2026-04-02", 2, 80, 80, 1)
	s.visit("2026-04-03", 3, 79.5, 79.5, 1)
	s.visit("2026-04-04", 4, 79, 79, 1)
	for i, x := range s.spans("bath") {
		want := None
		if i == 1 {
			want = Say
		}
		grade(t, x.From.String(), x, want, BySpan)
	}
}

// Nor is it said again after a long quiet time, when 20 L have become little for each span: 20.5 / (2 * 24) = 0.43.
func TestRunningLongAgo(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-01", 1, 100, 100, 1)
	for i := byte(2); i <= 12; i++ {
		s.visit(fmt.Sprintf("2026-04-%02d", i), i, 80, 80, 1)
	}
	s.visit("2026-04-13", 13, 79.5, 79.5, 1)
	all := s.spans("bath")
	grade(t, "then", all[1], Say, BySpan)
	last := all[len(all)-2]
	is(t, "now", last.Unexplained, 0.5, math.Sqrt2, 1e-6)
	grade(t, "now", last, None, BySpan)
}

// The whole and the rest must lean the same way. 40 L are lost and said; then 4 L come three times, u 2.12, none by
// itself. Those 12 L are beyond 3u = 3 * sqrt(4 * 2.25) = 9 of what lies beside the loss, but nobody can say that fluid came
// while 28 L are missing.
func TestRunningBothWays(t *testing.T) {
	s := newTale(t)
	for i, l := range []float64{100, 60, 64, 68, 72} {
		s.visit(fmt.Sprintf("2026-04-%02d", i+1), byte(i+1), l, l, 1.5)
	}
	all := s.spans("bath")
	is(t, "gain", all[7].Unexplained, -4, math.Sqrt(4.5), 1e-6)
	grade(t, "gain", all[7], None, BySpan)
}

// Renewing the bath begins a new balance with the departure of its visit, though the renewal is entered after it.
func TestRunningRenewed(t *testing.T) {
	for _, c := range []struct {
		renewed string
		visit   byte
		from    string
	}{
		{"2026-04-02T09:30:00Z", 2, "2026-04-02T10:00:00Z"},
		{"2026-04-02T11:00:00Z", 2, "2026-04-02T10:00:00Z"},
		{"2026-04-02T07:00:00Z", 2, "2026-04-02T10:00:00Z"},
		{"2026-04-02T11:00:00Z", 0, "2026-04-03T08:00:00Z"},
		{"2026-04-02T11:00:00Z", 9, "2026-04-03T08:00:00Z"}, // of a visit that measured nothing
	} {
		s := newTale(t)
		s.visit("2026-04-01", 1, 100, 100, 1)
		s.visit("2026-04-02", 2, 60, 100, 1) // 40 L missing before, 40 L of gain
		s.on(c.renewed, c.visit, &events.BathRenewed{Why: events.Text{Plain: "foul"}})
		s.visit("2026-04-03", 3, 100, 100, 1)
		s.visit("2026-04-04", 4, 99, 99, 1)
		r := s.fold().Running
		is(t, c.renewed, r.Unexplained, 1, math.Sqrt2, 1e-6)
		if r.Since != SinceRenewed || r.From.String() != c.from {
			t.Errorf("%s of visit %d: got since %s, from %v, want %s", c.renewed, c.visit, r.Since, r.From, c.from)
		}
	}
	// Renewed in a visit whose departure is not known: its arrival is of the old bath, whatever the times.
	s := newTale(t)
	s.on("2026-04-01T07:00:00Z", 1, &events.BathRenewed{})
	s.on("2026-04-01T08:00:00Z", 1, volume("arrival", 60, 1))
	s.visit("2026-04-02", 2, 100, 99, 1)
	if r := s.fold().Running; r.From.String() != "2026-04-02T08:00:00Z" {
		t.Errorf("got from %v", r.From)
	}
	// Renewed after everything: there is nothing to run yet.
	s = newTale(t)
	s.visit("2026-04-01", 1, 100, 60, 1)
	s.on("2026-04-01T09:00:00Z", 1, &events.BathRenewed{})
	r := s.fold().Running
	if r.Grade != CannotTell || r.Unexplained != nil || r.To != nil || r.From.String() != "2026-04-01T10:00:00Z" {
		t.Errorf("got %+v", r)
	}
}

// The running balance goes back twelve months from its end at most: on 10 April 2027 the 40 L of 2026-04-09 are too
// old, and what began on 2026-04-10 is not.
func TestRunningYear(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-08", 1, 140, 140, 1)
	s.visit("2026-04-09", 2, 100, 100, 1)
	s.visit("2026-04-11", 3, 100, 100, 1)
	s.visit("2027-04-10", 4, 99, 99, 1)
	r := s.fold().Running
	is(t, "running", r.Unexplained, 1, math.Sqrt2, 1e-6)
	if r.Since != SinceYear || r.From.String() != "2026-04-11T08:00:00Z" {
		t.Errorf("got since %s, from %v", r.Since, r.From)
	}
}

// A late flow at the departure from which the balance runs leaves the running balance open too.
func TestRunningLate(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-01", 1, 100, 100, 1)
	s.on("2026-04-01T09:00:00Z", 1, &events.BathRenewed{})
	s.on("2026-04-01T11:00:00Z", 1, fresh(20, 0.5))
	s.visit("2026-04-08", 2, 120, 120, 1)
	if r := s.fold().Running; r.Grade != CannotTell {
		t.Errorf("got %s", r.Grade)
	}
	for _, x := range s.spans("bath") {
		if x.Grade == Say {
			t.Errorf("%s: %s", x.Kind, x.Words)
		}
	}
}

// Nothing is amiss and u is right: 4.55 of 100 spans are beyond 2u (4.55 % two-sided, from the normal distribution), and
// 0.27 beyond 3u. Of 100,000 the count has a standard deviation of 66 and 16; five of them are allowed.
func TestFalseLooks(t *testing.T) {
	if p := math.Erfc(2 / math.Sqrt2); math.Abs(p-0.0455) > 1e-4 {
		t.Fatalf("got %v", p)
	}
	random := rand.New(rand.NewSource(1))
	count := map[Grade]int{}
	for range 100_000 {
		a := account{l: 3 * random.NormFloat64(), square: 9}
		count[judge(&a, measured{}).grade]++
	}
	if looks := count[Look] + count[Say]; looks < 4550-330 || looks > 4550+330 {
		t.Errorf("got %d looks of 100000, want about 4550", looks)
	}
	if count[Say] < 270-82 || count[Say] > 270+82 {
		t.Errorf("got %d says of 100000, want about 270", count[Say])
	}
	floor := 0
	for range 100_000 { // u 0.3: the floor of 1 L is 3.33u, beyond which 0.09 % lie
		a := account{l: 0.3 * random.NormFloat64(), square: 0.09}
		if judge(&a, measured{}).beyond() {
			floor++
		}
	}
	if floor > 86+46 {
		t.Errorf("with the floor: got %d of 100000, want about 86", floor)
	}
}
