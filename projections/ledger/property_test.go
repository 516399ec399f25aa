package ledger

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// Whatever was recorded, and in whatever order and however often it arrived, the ledger is the same bytes, and so are
// its results. Its JSON has no null where a list belongs.
func TestAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := anyRecords(t)
		first := bytesOf(t, all)
		again := rapid.Permutation(append(slices.Clone(all), all[:rapid.IntRange(0, len(all)).Draw(t, "repeated")]...)).Draw(t, "order")
		if second := bytesOf(t, again); !bytes.Equal(first, second) {
			t.Fatalf("got\n%s\nthen\n%s", first, second)
		}
		for _, list := range []string{"spans", "flows", "told", "torn", "vessels", "reconciled", "others", "flags"} {
			if strings.Contains(string(first), `"`+list+`":null`) {
				t.Fatalf("%s is null", list)
			}
		}
	})
}

// Every entry of a tank is in one span or before the first, and the ledger of all spans telescopes: over spans that
// follow each other without temperatures, starts and ends meet, and what is not explained adds up to the running balance.
func TestSpansMeet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := anyRecords(t)
		in := input("m-1", all)
		l := Fold(in)
		flows, told := 0, 0
		for i := range in.History.Facts {
			f := &in.History.Facts[i]
			if f.Machine != "m-1" {
				continue
			}
			switch f.Body.(type) {
			case *events.FluidAdded, *events.FluidRemoved, *events.DoseAdded:
				flows++
			case *events.HistoryTold:
				told++
			}
		}
		for i, s := range l.Spans {
			flows, told = flows-len(s.Flows), told-len(s.Accounts)
			if i+1 < len(l.Spans) && (s.To == nil || *s.To != l.Spans[i+1].From) {
				t.Fatalf("span %d ends at %v, the next begins at %v", i, s.To, l.Spans[i+1].From)
			}
			if s.Grade == Say && (s.Torn == nil || len(s.Torn) > 0) {
				t.Fatalf("span %d says what late flows leave open", i)
			}
		}
		flows, told = flows-len(l.Before.Flows), told-len(l.Before.Accounts)
		if flows != 0 || told != 0 {
			t.Fatalf("%d flows and %d accounts are in no span, or in two", flows, told)
		}
		sum := 0.0
		for _, s := range l.Spans {
			if s.To != nil {
				sum += float64(s.Unexplained.Value)
			}
		}
		if r := l.Running; r.To != nil && r.Since == SinceFirst && !near(r.Unexplained.Value, sum, 1e-5) {
			t.Fatalf("running: got %v, the spans add up to %v", r.Unexplained.Value, sum)
		}
	})
}

func bytesOf(t *rapid.T, all []projections.Arrival) []byte {
	in := input("m-1", all)
	b, err := json.Marshal(struct {
		Ledger  Ledger
		Results []projections.Result
	}{Fold(in), Results(in)})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// anyRecords are some weeks of a machine, told by two devices: whole visits and broken ones, late flows, corrections.
// There are no temperatures, so that a volume is the same in the span before it and in the one after it.
func anyRecords(t *rapid.T) []projections.Arrival {
	devices := []*story.Teller{{Device: "tab-1"}, {Device: "tab-2"}}
	var all []projections.Arrival
	for range rapid.IntRange(1, 40).Draw(t, "n") {
		device := rapid.SampledFrom(devices).Draw(t, "device")
		done := fmt.Sprintf("2026-04-%02dT%02d:00:00Z", rapid.IntRange(1, 20).Draw(t, "day"), rapid.IntRange(8, 10).Draw(t, "hour"))
		on := story.On{Site: "north", Machine: rapid.SampledFrom([]events.MachineID{"m-1", "m-1", "m-1", "m-2"}).Draw(t, "machine")}
		if v := rapid.IntRange(0, 5).Draw(t, "visit"); v > 0 {
			on.Visit = story.Visit(byte(v))
		}
		l := float64(rapid.IntRange(0, 120).Draw(t, "l"))
		u := story.P(float64(rapid.IntRange(0, 4).Draw(t, "u")) / 2)
		var body events.Body
		switch rapid.IntRange(0, 8).Draw(t, "what") {
		default:
			body = &events.ReadingTaken{Quantity: "volume", Value: &l, U: u, Method: "dip", Instrument: rapid.SampledFrom([]events.Code{"", "ST-1"}).Draw(t, "stick"),
				Moment: rapid.SampledFrom([]events.Word{"arrival", "departure", "working"}).Draw(t, "moment")}
		case 4:
			body = &events.FluidAdded{From: "van", To: "bath", Volume: l / 4, U: u, Instrument: rapid.SampledFrom([]events.Code{"", "MT-1"}).Draw(t, "meter")}
		case 5:
			body = &events.FluidRemoved{From: "bath", To: "p-31", What: "bath", Volume: l / 4, U: u}
		case 6:
			body = &events.HistoryTold{What: rapid.SampledFrom([]events.Word{"drained", "water-added", "nothing"}).Draw(t, "told"), Volume: &l}
			if b := body.(*events.HistoryTold); b.What == "nothing" {
				b.Volume = nil
			}
		case 7:
			body = &events.DoseAdded{Product: "PH-UP", Volume: &l}
		case 8:
			if len(all) == 0 {
				body = &events.VesselStarted{Vessel: "p-31"}
				break
			}
			target := rapid.SampledFrom(all).Draw(t, "target")
			if target.Record.Kind == events.KindAmended || target.Record.Kind == events.KindWithdrawn {
				body = &events.BathRenewed{}
				break
			}
			if rapid.Bool().Draw(t, "withdraw") {
				all = append(all, device.Withdraw(done, &target))
			} else {
				all = append(all, device.Amend(done, &target, events.RecordAmended{Done: "2026-04-05T09:00:00Z"}))
			}
			continue
		}
		all = append(all, device.Tell(done, on, body))
	}
	return all
}

// The results of a span are named by its tank and its ends, which stay the same when a reading is amended or taken
// again, and so a change is a restatement. The open tail has none.
func TestResults(t *testing.T) {
	s := newTale(t)
	s.warm20("2026-04-07", 1)
	reading := s.on("2026-04-07T08:00:00Z", 1, volume("arrival", 100, 1))
	s.on("2026-04-07T10:00:00Z", 1, volume("departure", 90, 1))
	old := Projection.Results(input("m-1", s.all))
	name := "span/bath/" + story.Visit(1).String() + ".arrival/" + story.Visit(1).String() + ".departure/"
	want := []projections.Result{
		{What: name + "grade", Value: `"say"`},
		{What: name + "unexplained_l", Value: `{"value":10,"u":1.414214}`},
		{What: name + "verdict", Value: `"cannot-tell"`},
	}
	if !slices.Equal(old, want) {
		t.Errorf("got %+v", old)
	}
	s.keep(s.device.Amend("2026-04-08T08:00:00Z", reading, events.RecordAmended{Body: story.Body(volume("arrival", 91, 1))}))
	s.on("2026-04-07T10:30:00Z", 1, volume("departure", 89.5, 1))
	changed := projections.Restate("ledger", "m-1", events.Hash{1}, old, Projection.Results(input("m-1", s.all)))
	if len(changed) != 2 || changed[0].What != name+"grade" || changed[0].New != `"none"` || changed[1].New != `{"value":1.5,"u":1.414214}` {
		t.Errorf("got %+v", changed)
	}
}

// The whole JSON of one visit, field by field.
func TestJSON(t *testing.T) {
	s := newTale(t)
	s.visit("2026-04-07", 1, 100, 119, 1, fresh(20, 0.5))
	l := s.fold()
	flow := events.RecordID(l.Spans[0].Flows[0].Record).String()
	visit := story.Visit(1).String()
	zero := `{"value":0,"u":0}`
	rest := `"returned_l":` + zero + `,"told_l":` + zero + `,"removed_l":` + zero + `,"spilled_l":` + zero + `,"expected_loss_l":` + zero
	words := `"what is not explained by what was measured cannot be told from zero"`
	one := `{"value":1,"u":1.5}`
	want := `{"machine":"m-1","spans":[` +
		`{"tank":"bath","kind":"visit","from":"2026-04-07T08:00:00Z","to":"2026-04-07T10:00:00Z","visit":"` + visit + `",` +
		`"start_l":{"value":100,"u":1},"end_l":{"value":119,"u":1},"added_l":{"value":20,"u":0.5},` + rest + `,` +
		`"unexplained_l":` + one + `,"unexplained_without_told_l":` + one + `,"grade":"none","because":"span","counts_told":true,"verdict":"cannot-tell",` +
		`"bath_lost_l":null,"water_lost_l":null,"torn":[],"running_l":` + one + `,"running_from":"2026-04-07T08:00:00Z","words":` + words + `,` +
		`"flows":[{"record":"` + flow + `","kind":"fluid.added","l":20,"u":0.5,"from":"van","to":"bath","term":"added","instrument":"","done":"2026-04-07T09:00:00Z","visit":"` + visit + `","late":false,"flags":[]}],"told":[]},` +
		`{"tank":"bath","kind":"mixed","from":"2026-04-07T10:00:00Z","to":null,"visit":null,` +
		`"start_l":{"value":119,"u":1.027932},"end_l":null,"added_l":` + zero + `,` + rest + `,` + // sqrt(1 + 0.238^2)
		`"unexplained_l":null,"unexplained_without_told_l":null,"grade":"cannot-tell","because":"open-end","counts_told":true,"verdict":"cannot-tell",` +
		`"bath_lost_l":null,"water_lost_l":null,"torn":[],"running_l":null,"running_from":null,"words":"cannot tell: no volume has been measured since","flows":[],"told":[]}],` +
		`"running":{"tank":"bath","since":"first","from":"2026-04-07T08:00:00Z","to":"2026-04-07T10:00:00Z",` +
		`"start_l":{"value":100,"u":1},"end_l":{"value":119,"u":1},"added_l":{"value":20,"u":0.5},` + rest + `,` +
		`"unexplained_l":` + one + `,"unexplained_without_told_l":` + one + `,"grade":"none","words":` + words + `,"others":[]},` +
		`"reconciled":[],"vessels":[],"before":{"flows":[],"told":[]}}`
	if got := text(t, l); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// Intervals are rounded outwards, to whole litres where they are wide enough and begin above one.
func TestInterval(t *testing.T) {
	for _, c := range []struct {
		x, u float64
		want string
	}{
		{10, 2, "between 6 and 14 litres"},
		{19.55, 1.68, "between 16 and 23 litres"}, // 16.19 to 22.91
		{3.61, 1.4, "between 0.8 and 6.5 litres"}, // 0.81 to 6.41
		{1.2, 0.05, "between 1.1 and 1.3 litres"},
		{5, 0.3, "between 4.4 and 5.6 litres"},
		{2, 1.1, "up to 4.2 litres"},
		{5, 0, "between 5 and 5 litres"},
	} {
		if got := interval(microOf(c.x), microOf(c.u)); got != c.want {
			t.Errorf("%v, u %v: got %q, want %q", c.x, c.u, got, c.want)
		}
	}
}

// Results are what Fold shows of every closed span.
func TestResultsAreThoseOfFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := input("m-1", anyRecords(t))
		var want []projections.Result
		for _, s := range Fold(in).Spans {
			if s.To == nil {
				continue
			}
			for name, value := range map[string]any{"unexplained_l": s.Unexplained, "grade": s.Grade, "verdict": s.Verdict} {
				b, err := json.Marshal(value)
				if err != nil {
					t.Fatal(err)
				}
				want = append(want, projections.Result{What: "span/" + s.Tank + "/" + s.ends[0] + "/" + s.ends[1] + "/" + name, Value: string(b)})
			}
		}
		if got, want := Results(in), projections.SortResults(want); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}
