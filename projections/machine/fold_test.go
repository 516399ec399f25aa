package machine

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// visits is two visits to a sink, by hand: on the first it was found with 180 L and left with 195; on the second it was
// found with 190, and nothing was measured after what was done.
type visits struct {
	office, tab *story.Teller
	all         []projections.Arrival
	sludge      *projections.Arrival
	left        *projections.Arrival
	ph          *projections.Arrival
	leak        *projections.Arrival
}

var (
	first  = story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(1), By: "T2"}
	second = story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(2), By: "T2"}
	other  = story.On{Site: "north-yard", Machine: "nw-02", Visit: story.Visit(2), By: "T2"}
)

func newVisits() *visits {
	v := &visits{office: &story.Teller{Device: "office-1", Office: true}, tab: &story.Teller{Device: "tab-1"}}
	p := story.P[float64]
	office := func(at string, on story.On, b events.Body) { v.put(v.office.Tell(at, on, b)) }
	tab := func(at string, on story.On, b events.Body) *projections.Arrival { return v.put(v.tab.Tell(at, on, b)) }
	tanks := []events.Tank{
		{Tank: "wash", Shape: "rectangular", LengthMm: p(900), WidthMm: p(600), HeightMm: p(500)},
		{Tank: "rinse", Shape: "rectangular", LengthMm: p(400), WidthMm: p(500), HeightMm: p(500)},
	}
	office("2026-03-01T08:00:00Z", story.On{Site: "north-yard", Machine: "nw-01"}, &events.MachineEntered{Class: "sink", Fluid: "BF-A", Tanks: tanks})

	tab("2026-03-02T09:05:00+01:00", first, story.Volume("arrival", 180))
	v.ph = tab("2026-03-02T09:06:00+01:00", first, &events.ReadingTaken{Quantity: "ph", Value: p(8.6), Method: "strip", Moment: "arrival"})
	tab("2026-03-02T09:07:00+01:00", first, &events.ReadingTaken{Quantity: "level", Value: p(250), Of: "rinse", Moment: "arrival"})
	v.leak = tab("2026-03-02T09:08:00+01:00", first, &events.FaultFound{Fault: "leak", Grade: story.P(int64(2)), Position: "pump", Text: events.Text{Plain: "drips"}})
	tab("2026-03-02T09:08:30+01:00", first, &events.FaultFound{Fault: "leak", Position: "tap"})
	v.sludge = tab("2026-03-02T09:10:00+01:00", first, &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, U: p(0.25)})
	tab("2026-03-02T09:20:00+01:00", first, &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 27, U: p(0.25)})
	tab("2026-03-02T09:21:00+01:00", first, &events.PartSwapped{Position: "filter", Out: &events.PartOut{Part: "F-50"}, In: &events.PartIn{Part: "F-50", Serial: "s-2"}})
	tab("2026-03-02T09:22:00+01:00", first, &events.PartSwapped{Position: "strainer", Out: &events.PartOut{Part: "S-1"}})
	v.left = tab("2026-03-02T09:30:00+01:00", first, story.Volume("departure", 195))

	tab("2026-04-02T09:05:00+02:00", second, &events.ReadingTaken{Quantity: "level", Value: p(351.851852), Moment: "arrival"})
	tab("2026-04-02T09:06:00+02:00", second, &events.ReadingTaken{Quantity: "temperature", Value: p(41), Moment: "working"})
	tab("2026-04-02T09:07:00+02:00", second, &events.ReadingTaken{Quantity: "ph", NotRead: story.P(true), Why: events.Text{Plain: "no strips"}})
	tab("2026-04-02T09:08:00+02:00", second, &events.FluidAdded{From: "tap", To: "wash", Product: "water", Volume: 10, U: p(3)})
	tab("2026-04-02T09:09:00+02:00", second, &events.FluidRemoved{From: "bath", To: "rinse", What: "bath", Volume: 4, U: p(4)})
	tab("2026-04-02T09:10:00+02:00", second, &events.FluidAdded{From: "tap", To: "rinse", Product: "water", Volume: 99})
	tab("2026-04-02T09:11:00+02:00", second, &events.FaultCleared{Fault: "leak", Position: "pump"})
	tab("2026-04-02T09:12:00+02:00", other, story.Volume("arrival", 77))
	return v
}

func (v *visits) put(a projections.Arrival) *projections.Arrival {
	v.all = append(v.all, a)
	return &a
}

func (v *visits) input(b projections.Bounds) projections.Input {
	h := projections.Resolve(v.all, b)
	return projections.Input{Machine: "nw-01", History: h, Register: projections.NewRegister(h), Bounds: b}
}

func (v *visits) state(b projections.Bounds) State { return Fold(v.input(b)) }

// By hand: 351.851852 mm over 0.54 m2 are 190.000000 L, 3 mm are 1.62 L; since then 10 - 4 L, u 5.
const golden = `{
  "machine": "nw-01",
  "site": "north-yard",
  "as_of": null,
  "known_at": null,
  "volume_l": {
    "value": 190,
    "u": 1.62,
    "done": "2026-04-02T09:05:00+02:00"
  },
  "flows_since_l": {
    "value": 6,
    "u": 5
  },
  "readings": {
    "level": {
      "value": 351.851852,
      "unit": "mm",
      "done": "2026-04-02T09:05:00+02:00",
      "visit": "00000000-07d0-7200-8000-000000000000"
    },
    "level@rinse": {
      "value": 250,
      "unit": "mm",
      "done": "2026-03-02T09:07:00+01:00",
      "visit": "00000000-03e8-7100-8000-000000000000"
    },
    "ph": {
      "value": 8.6,
      "unit": "[pH]",
      "done": "2026-03-02T09:06:00+01:00",
      "visit": "00000000-03e8-7100-8000-000000000000"
    },
    "temperature": {
      "value": 41,
      "unit": "Cel",
      "done": "2026-04-02T09:06:00+02:00",
      "visit": "00000000-07d0-7200-8000-000000000000"
    },
    "volume": {
      "value": 195,
      "unit": "L",
      "u": 1,
      "done": "2026-03-02T09:30:00+01:00",
      "visit": "00000000-03e8-7100-8000-000000000000"
    }
  },
  "parts": {
    "filter": {
      "part": "F-50",
      "serial": "s-2",
      "since": "2026-03-02T09:21:00+01:00"
    }
  },
  "open_faults": [
    {
      "record": "019cad97-7430-7500-b431-000000000000",
      "fault": "leak",
      "grade": null,
      "position": "tap",
      "done": "2026-03-02T09:08:30+01:00",
      "visit": "00000000-03e8-7100-8000-000000000000",
      "text": ""
    }
  ],
  "records": 18
}`

func TestGolden(t *testing.T) {
	got, err := json.MarshalIndent(newVisits().state(projections.Now), "", "  ")
	if err != nil || string(got) != golden {
		t.Errorf("%v\ngot %s\nwant %s", err, got, golden)
	}
}

func TestNothingKnown(t *testing.T) {
	got, err := json.Marshal(Fold(projections.Input{Machine: "nw-01", Bounds: projections.Bounds{AsOf: 0, KnownAt: events.MaxMillis}}))
	want := `{"machine":"nw-01","site":"","as_of":"1970-01-01T00:00:00Z","known_at":null,"volume_l":null,"flows_since_l":null,"readings":{},"parts":{},"open_faults":[],"records":0}`
	if err != nil || string(got) != want {
		t.Errorf("%v\ngot  %s\nwant %s", err, got, want)
	}
}

// brief tells the volume, what flowed since, and the pH.
func brief(s State) string {
	said := "none"
	if s.VolumeL != nil {
		said = fmt.Sprintf("%g+%g", float64(s.VolumeL.Value), float64(s.FlowsSinceL.Value))
	}
	if ph, ok := s.Readings["ph"]; ok {
		said += fmt.Sprintf(" pH %g", ph.Value)
	}
	return fmt.Sprintf("%s %d open", said, len(s.OpenFaults))
}

func TestBounds(t *testing.T) {
	for _, c := range []struct{ asOf, knownAt, want string }{
		{"", "", "190+6 pH 8.6 1 open"},
		{"2026-03-02T08:04:59Z", "", "none 0 open"},
		{"2026-03-02T08:05:00Z", "", "180+0 0 open"},
		{"2026-03-02T08:25:00Z", "", "180+15 pH 8.6 2 open"},
		{"2026-03-31T00:00:00Z", "", "195+0 pH 8.6 2 open"},
		{"", "2026-03-31T00:00:00Z", "195+0 pH 8.6 2 open"},
		{"2026-03-02T08:25:00Z", "2026-03-02T09:24:59Z", "180+15 pH 8.6 2 open"},
	} {
		b := projections.Now
		if c.asOf != "" {
			b.AsOf = story.Millis(c.asOf)
		}
		if c.knownAt != "" {
			b.KnownAt = story.Millis(c.knownAt)
		}
		if got := brief(newVisits().state(b)); got != c.want {
			t.Errorf("as of %q, known at %q: %s; want %s", c.asOf, c.knownAt, got, c.want)
		}
	}
}

// A reading that was taken on another machine moves there, and comes back.
func TestMovedThereAndBack(t *testing.T) {
	v := newVisits()
	there := v.put(v.tab.Amend("2026-04-03T09:00:00Z", v.ph, events.RecordAmended{Machine: "nw-02"}))
	if got := brief(v.state(projections.Now)); got != "190+6 1 open" {
		t.Errorf("moved there: %s", got)
	}
	in := v.input(projections.Now)
	in.Machine = "nw-02"
	if got := brief(Fold(in)); got != "77+0 pH 8.6 0 open" {
		t.Errorf("where it moved: %s", got)
	}
	v.put(v.tab.Amend("2026-04-04T09:00:00Z", v.ph, events.RecordAmended{Machine: "nw-01"}, there))
	if got := brief(v.state(projections.Now)); got != "190+6 pH 8.6 1 open" {
		t.Errorf("moved back: %s", got)
	}
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name string
		tell func(v *visits)
		want string
	}{
		{"one position was cleared", func(v *visits) {}, "tap"},
		{"found again", func(v *visits) {
			v.put(v.tab.Tell("2026-04-02T10:00:00Z", second, &events.FaultFound{Fault: "leak", Position: "pump"}))
		}, "tap pump"},
		{"cleared everywhere", func(v *visits) {
			v.put(v.tab.Tell("2026-04-02T10:00:00Z", second, &events.FaultCleared{Fault: "leak"}))
		}, ""},
		{"another fault cleared", func(v *visits) {
			v.put(v.tab.Tell("2026-04-02T10:00:00Z", second, &events.FaultCleared{Fault: "noise"}))
		}, "tap"},
		{"cleared before it was found", func(v *visits) {
			v.put(v.tab.Tell("2026-03-01T10:00:00Z", first, &events.FaultCleared{Fault: "leak"}))
		}, "tap"},
		{"the fault withdrawn", func(v *visits) {
			v.all[5] = v.tab.Withdraw("2026-04-02T10:00:00Z", &v.all[5]) // and the one at the tap was never there
		}, ""},
	} {
		v := newVisits()
		c.tell(v)
		var at []string
		for _, f := range v.state(projections.Now).OpenFaults {
			at = append(at, string(f.Position))
		}
		if got := strings.Join(at, " "); got != c.want {
			t.Errorf("%s: open at %q; want %q", c.name, got, c.want)
		}
	}
}

func TestLongTextIsEvidence(t *testing.T) {
	v := newVisits()
	v.put(v.tab.Tell("2026-04-02T10:00:00Z", second, &events.FaultFound{Fault: "noise", Text: events.Text{Digest: events.Digest{0xab}}}))
	o := v.state(projections.Now).OpenFaults[1]
	if want := "evidence:ab" + strings.Repeat("0", 62); o.Text != want || o.Evidence != (events.Digest{0xab}) {
		t.Errorf("text %q, evidence %s", o.Text, o.Evidence)
	}
}

// What somebody may have acted on: as it was found and left, by visit.
func TestResults(t *testing.T) {
	const one, two = "00000000-03e8-7100-8000-000000000000", "00000000-07d0-7200-8000-000000000000"
	want := []projections.Result{
		{What: "fault/019cad96-ff00-7400-b431-000000000000", Value: `{"fault":"leak","grade":2,"position":"pump"}`},
		{What: "fault/019cad97-7430-7500-b431-000000000000", Value: `{"fault":"leak","grade":null,"position":"tap"}`},
		{What: "found/" + one + "/ph", Value: `{"value":8.6,"unit":"[pH]"}`},
		{What: "found/" + one + "/volume_l", Value: `{"value":180,"u":1}`},
		{What: "found/" + one + "/volume_l@rinse", Value: `{"value":50,"u":0.6}`},
		{What: "found/" + two + "/volume_l", Value: `{"value":190,"u":1.62}`},
		{What: "left/" + one + "/volume_l", Value: `{"value":195,"u":1}`},
		{What: "part/" + one + "/filter", Value: `{"part":"F-50","serial":"s-2"}`},
		{What: "part/" + one + "/strainer", Value: `{"part":""}`},
	}
	got := Results(newVisits().input(projections.Now))
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			t.Errorf("lacks %+v", want[i])
		case i >= len(want):
			t.Errorf("too many: %+v", got[i])
		case got[i] != want[i]:
			t.Errorf("got  %+v\nwant %+v", got[i], want[i])
		}
	}
}

// A late correction restates what it changes and nothing else; a visit that goes on restates nothing.
func TestRestatements(t *testing.T) {
	v := newVisits()
	before := Results(v.input(projections.Now))
	v.put(v.tab.Tell("2026-04-02T09:30:00+02:00", second, story.Volume("departure", 196)))
	after := Results(v.input(projections.Now))
	if all := projections.Restate("machine", "nw-01", events.Hash{1}, before, after); len(all) != 0 {
		t.Errorf("a new reading restates %+v", all)
	}
	v.put(v.tab.Amend("2026-04-03T09:00:00Z", v.left, events.RecordAmended{Body: story.Body(story.Volume("departure", 191))}))
	all := projections.Restate("machine", "nw-01", events.Hash{1}, after, Results(v.input(projections.Now)))
	if len(all) != 1 || all[0].Old != `{"value":195,"u":1}` || all[0].New != `{"value":191,"u":1}` || !strings.HasPrefix(all[0].What, "left/") {
		t.Errorf("%+v", all)
	}
}
