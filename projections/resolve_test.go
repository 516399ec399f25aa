package projections_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// The two clocks: what had happened by then, and what was known by then.
func TestBounds(t *testing.T) {
	w := newTale() // R happened on 2 March, 09:05+01:00, and came an hour later
	a := w.litres("a", w.tab, 170, "")
	a.Received = story.Millis("2026-03-05T12:00:00Z")
	m := w.amend("m", w.office, "R", events.RecordAmended{Done: "2026-03-04T09:00:00+01:00"}, "a")
	m.Received = story.Millis("2026-03-08T12:00:00Z")
	w.by["R"].Received = story.Millis("2026-03-04T10:00:00Z")

	all := projections.Now
	for _, c := range []struct {
		name    string
		asOf    string // empty: not bounded
		knownAt string
		want    string
	}{
		{"now", "", "", "R amended, a amended, m stands, 170 on nw-01 at 09:00 by T2"},
		{"known before it came", "", "2026-03-04T09:59:59Z", ""},
		{"known when it came", "", "2026-03-04T10:00:00Z", "R stands, 180 on nw-01 at 09:05 by T2"},
		{"known before the first correction", "", "2026-03-05T11:59:59Z", "R stands, 180 on nw-01 at 09:05 by T2"},
		{"known at the first correction", "", "2026-03-05T12:00:00Z", "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"known before the second", "", "2026-03-08T11:59:59Z", "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"as of before it happened", "2026-03-02T09:04:59+01:00", "", ""},
		{"as of the time as written, when it is known to be another", "2026-03-02T09:05:00+01:00", "", ""},
		{"as of the time as corrected", "2026-03-04T09:00:00+01:00", "", "R amended, a amended, m stands, 170 on nw-01 at 09:00 by T2"},
		{"as of the time as written, as it was known then", "2026-03-02T09:05:00+01:00", "2026-03-07T00:00:00Z", "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"both before anything", "2026-03-02T09:05:00+01:00", "2026-03-03T00:00:00Z", ""},
		{"both, the record only", "2026-03-02T09:05:00+01:00", "2026-03-04T12:00:00Z", "R stands, 180 on nw-01 at 09:05 by T2"},
	} {
		b := all
		if c.asOf != "" {
			b.AsOf = story.Millis(c.asOf)
		}
		if c.knownAt != "" {
			b.KnownAt = story.Millis(c.knownAt)
		}
		// Corrections that were written after as-of count all the same, and stand in the list with their target.
		if got := w.tell(projections.Resolve(w.arrivals(), b)); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestAdmissionCountsFromWhenItIsKnown(t *testing.T) {
	w := newTale()
	w.by["R"].Held = "not a reading"
	w.admit("A", w.office, "R").Received = story.Millis("2026-03-09T00:00:00Z")
	for knownAt, want := range map[string]string{
		"2026-03-08T23:59:59Z": "R held",
		"2026-03-09T00:00:00Z": "A stands, R stands, 180 on nw-01 at 09:05 by T2",
	} {
		// It was admitted long after it happened: as of that day it counts, once that is known.
		b := projections.Bounds{AsOf: story.Millis("2026-03-02T23:00:00Z"), KnownAt: story.Millis(knownAt)}
		if got := w.tell(projections.Resolve(w.arrivals(), b)); got != want {
			t.Errorf("known at %s: %s; want %s", knownAt, got, want)
		}
	}
}

func TestOnlyKeptIsKnown(t *testing.T) {
	w := newTale()
	w.by["R"].Received, w.by["R"].Stage = 0, projections.Kept
	got := w.tell(projections.Resolve(w.arrivals(), projections.Bounds{AsOf: events.MaxMillis, KnownAt: 1}))
	if want := "R stands, 180 on nw-01 at 09:05 by T2"; got != want {
		t.Errorf("%s; want %s", got, want)
	}
}

// order tells the fold's order by the numbers of the records.
func order(h projections.History) string {
	var seqs []string
	for _, f := range h.Facts {
		seqs = append(seqs, fmt.Sprintf("%s/%d", f.Record.Device, f.Record.Seq))
	}
	return strings.Join(seqs, " ")
}

func TestOrderOfTheFold(t *testing.T) {
	tab, other := &story.Teller{Device: "tab-1"}, &story.Teller{Device: "tab-2"}
	on := story.On{Machine: "nw-01"}
	late := tab.Tell("2026-03-02T09:00:00Z", on, story.Volume("arrival", 1))
	late.Received = story.Millis("2026-03-20T00:00:00Z") // came weeks later
	first := tab.Tell("2026-03-02T08:00:00Z", on, story.Volume("arrival", 2))
	same := other.Tell("2026-03-02T09:00:00Z", on, story.Volume("arrival", 3))
	same.Record.Clock = late.Record.Clock
	story.Seal(&same)
	early := other.Tell("2026-03-02T09:00:00Z", on, story.Volume("arrival", 5)) // written first, though its device comes last
	early.Record.Clock = late.Record.Clock - 1
	story.Seal(&early)
	future := tab.Tell("2027-01-01T00:00:00Z", on, story.Volume("arrival", 4))
	future.Received = story.Millis("2026-03-02T08:30:00Z")
	h := projections.Resolve([]projections.Arrival{late, future, same, early, first}, projections.Now)
	if got, want := order(h), "tab-1/2 tab-1/3 tab-2/2 tab-1/1 tab-2/1"; got != want {
		t.Errorf("order %s; want %s", got, want)
	}
	f := h.Facts[1]
	if !slices.Contains(f.Flags, projections.InFuture) || f.At != future.Received || f.Done != future.Record.Done {
		t.Errorf("done after its receipt: flags %v, at %d, done %d", f.Flags, f.At, f.Done)
	}
	// As of is compared with the time that is claimed, whatever the fold does with it.
	for asOf, want := range map[string]int{"2026-03-02T08:30:00Z": 1, future.Record.Done.Format(0): 2} {
		h := projections.Resolve([]projections.Arrival{future, first}, projections.Bounds{AsOf: story.Millis(asOf), KnownAt: events.MaxMillis})
		if len(h.Facts) != want {
			t.Errorf("as of %s: %d facts; want %d", asOf, len(h.Facts), want)
		}
	}
	// So it does where a correction says so.
	put := tab.Amend("2026-03-02T10:00:00Z", &first, events.RecordAmended{Done: "2026-03-02T12:00:00Z"})
	if f := projections.Resolve([]projections.Arrival{first, put}, projections.Now).Facts[0]; !slices.Contains(f.Flags, projections.InFuture) || f.At != first.Received {
		t.Errorf("corrected to after its receipt: flags %v, at %d", f.Flags, f.At)
	}
	// While it is only kept nobody knows of a receipt.
	future.Received = 0
	if h := projections.Resolve([]projections.Arrival{future}, projections.Now); len(h.Facts[0].Flags) != 0 || h.Facts[0].At != future.Record.Done {
		t.Errorf("only kept: %+v", h.Facts[0])
	}
}

func TestARecordCountsOnce(t *testing.T) {
	w := newTale()
	healed, kept := *w.by["R"], *w.by["R"]
	healed.Received += 1000
	kept.Received, kept.Stage = 0, projections.Kept
	h := projections.Resolve([]projections.Arrival{healed, kept, *w.by["R"], healed}, projections.Now)
	if len(h.All) != 1 || h.All[0].Received != w.by["R"].Received || h.All[0].Stage != projections.Received {
		t.Errorf("%d records, received %d", len(h.All), h.All[0].Received)
	}
	// Before its receipt it was not known, though it was kept.
	if h := projections.Resolve([]projections.Arrival{kept, healed}, projections.Bounds{AsOf: events.MaxMillis, KnownAt: healed.Received - 1}); len(h.All) != 0 {
		t.Errorf("known before it came: %d records", len(h.All))
	}
	// A fork: the same number, another record.
	fork := *w.by["R"]
	fork.Record.Machine = "nw-09"
	story.Seal(&fork)
	h = projections.Resolve([]projections.Arrival{fork, *w.by["R"]}, projections.Now)
	if len(h.All) != 2 || len(h.Facts) != 2 {
		t.Errorf("fork: %d records, %d facts; want both", len(h.All), len(h.Facts))
	}
	if again := projections.Resolve([]projections.Arrival{*w.by["R"], fork}, projections.Now); again.All[0].Hash != h.All[0].Hash {
		t.Error("fork: the order of arrival shows")
	}
}

func TestFlags(t *testing.T) {
	tab := &story.Teller{Device: "tab-1"}
	odd := tab.Tell("2026-03-02T09:00:00Z", story.On{}, &events.FluidRemoved{From: "bath", To: "p-31", What: "soup", Volume: 12})
	unknown := tab.Tell("2026-03-02T09:00:00Z", story.On{}, story.Volume("arrival", 1))
	unknown.Record.Kind = "bath.sung-to"
	broken := tab.Tell("2026-03-02T09:00:00Z", story.On{}, story.Volume("arrival", 1))
	broken.Record.Kind = "fluid.removed"
	when := tab.Amend("2026-03-02T10:00:00Z", &odd, events.RecordAmended{Done: "2026-03-02"})
	h := projections.Resolve([]projections.Arrival{odd, unknown, broken, when}, projections.Now)
	for i, want := range []struct {
		body bool
		flag projections.Flag
	}{{true, projections.OddMeaning}, {false, projections.UnknownKind}, {false, projections.OddMeaning}} {
		f := h.Facts[i]
		if (f.Body != nil) != want.body || len(f.Flags) != 1 || f.Flags[0] != want.flag {
			t.Errorf("%s: body %v, flags %v; want %v, %s", f.Record.Kind, f.Body, f.Flags, want.body, want.flag)
		}
	}
	if f := h.Facts[0]; f.Done != odd.Record.Done || f.State != projections.Amended {
		t.Errorf("a day is no time: done %d, %s", f.Done, f.State)
	}
}

// Hashes that name each other in a circle are claimed, never written. The answer is some answer, always the same.
func TestCirclesEnd(t *testing.T) {
	w := newTale()
	w.litres("a", w.tab, 170, "")
	w.litres("b", w.tab, 160, "a")
	w.withdraw("c", w.tab, "b", "")
	w.withdraw("d", w.tab, "c", "")
	for _, name := range []string{"a", "c"} { // a claims to be over b, c withdraws d
		x := w.by[name]
		if name == "a" {
			x.Record.Body = story.Body(&events.RecordAmended{Target: w.by["R"].Target(), By: "T7", Why: events.Text{Plain: "x"}, Over: []events.Hash{w.by["b"].Hash}})
		} else {
			x.Record.Body = story.Body(&events.RecordWithdrawn{Target: w.by["d"].Target(), Why: events.Text{Plain: "x"}})
		}
	}
	arrivals := w.arrivals()
	want := w.tell(projections.Resolve(arrivals, projections.Now))
	slices.Reverse(arrivals)
	if got := w.tell(projections.Resolve(arrivals, projections.Now)); got != want {
		t.Errorf("two answers:\n%s\n%s", got, want)
	}
}

func BenchmarkResolve(b *testing.B) {
	tab := &story.Teller{Device: "tab-1"}
	var all []projections.Arrival
	for i := range 300 {
		at := story.At("2026-03-02T09:00:00Z").AddDate(0, 0, i).Format("2006-01-02T15:04:05Z07:00")
		a := tab.Tell(at, story.On{Machine: "nw-01", Visit: story.Visit(byte(i))}, story.Volume("arrival", float64(i)))
		all = append(all, a)
		if i%30 == 0 {
			all = append(all, tab.Amend(at, &a, events.RecordAmended{By: "T3"}))
		}
	}
	b.Run("decoding", func(b *testing.B) {
		for b.Loop() {
			projections.Resolve(all, projections.Now)
		}
	})
	for i := range all {
		c := projections.Read(all[i].Record.Kind, all[i].Record.V, all[i].Record.Body)
		all[i].Content = &c
	}
	b.Run("decoded", func(b *testing.B) {
		for b.Loop() {
			projections.Resolve(all, projections.Now)
		}
	})
}
