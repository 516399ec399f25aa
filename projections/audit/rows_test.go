package audit

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
	"ullage/projections/witness"
)

func show(r *events.Record) json.RawMessage {
	return json.RawMessage(`{"kind":"` + string(r.Kind) + `"}`)
}

// world is a visit to two machines, with a correction that moves a reading from one to the other.
type world struct {
	office, tab, other *story.Teller
	names              []string
	by                 map[string]*projections.Arrival
}

var (
	one     = story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(1), By: "T2"}
	two     = story.On{Site: "north-yard", Machine: "nw-02", Visit: story.Visit(1), By: "T2"}
	call    = story.On{Site: "north-yard", Visit: story.Visit(1), By: "T2"}
	another = story.On{Site: "lark-hill", Machine: "lh-1", Visit: story.Visit(2), By: "T3"}
)

func newWorld() *world {
	w := &world{office: &story.Teller{Device: "office-1", Office: true}, tab: &story.Teller{Device: "tab-1"}, other: &story.Teller{Device: "tab-2"}, by: map[string]*projections.Arrival{}}
	w.put("opened", w.tab.Tell("2026-03-02T09:00:00+01:00", call, &events.VisitOpened{Reason: "planned"}))
	w.put("read1", w.tab.Tell("2026-03-02T09:05:00+01:00", one, story.Volume("arrival", 180)))
	w.put("read2", w.tab.Tell("2026-03-02T09:10:00+01:00", two, story.Volume("arrival", 77)))
	w.put("moved", w.tab.Amend("2026-03-02T09:15:00+01:00", w.by["read1"], events.RecordAmended{Machine: "nw-02"}))
	w.put("opened2", w.other.Tell("2026-03-02T09:20:00+01:00", story.On{Site: "lark-hill", Visit: story.Visit(2), By: "T3"}, &events.VisitOpened{Reason: "called"}))
	w.put("elsewhere", w.other.Tell("2026-03-02T09:25:00+01:00", another, story.Volume("arrival", 5)))
	return w
}

func (w *world) put(name string, a projections.Arrival) *projections.Arrival {
	w.names = append(w.names, name)
	w.by[name] = &a
	return &a
}

func (w *world) history() projections.History {
	var all []projections.Arrival
	for _, n := range w.names {
		all = append(all, *w.by[n])
	}
	slices.Reverse(all)
	return projections.Resolve(all, projections.Now)
}

// said tells which records are listed, in their order, and their states.
func (w *world) said(list List) string {
	var said []string
	for _, row := range list.Records {
		for name, a := range w.by {
			if a.Record.ID.String() == row.ID {
				said = append(said, name+":"+string(row.State))
			}
		}
	}
	return strings.Join(said, " ")
}

func TestQueries(t *testing.T) {
	w := newWorld()
	back := w.put("back", w.tab.Amend("2026-03-02T09:30:00+01:00", w.by["read1"], events.RecordAmended{Machine: "nw-01"}, w.by["moved"]))
	w.put("never", w.office.Withdraw("2026-03-02T09:35:00+01:00", back))
	for _, c := range []struct {
		q    Query
		want string
	}{
		{Query{}, "opened:stands read1:amended read2:stands moved:stands opened2:stands elsewhere:stands back:withdrawn never:stands"},
		{Query{Machine: "nw-01"}, "opened:stands read1:amended moved:stands back:withdrawn never:stands"},
		{Query{Machine: "nw-02"}, "opened:stands read1:amended read2:stands moved:stands back:withdrawn never:stands"},
		{Query{Machine: "lh-1"}, "opened2:stands elsewhere:stands"},
		{Query{Machine: "nw-99"}, ""},
		{Query{Visit: story.Visit(2)}, "opened2:stands elsewhere:stands"},
		{Query{Site: "north-yard"}, "opened:stands read1:amended read2:stands moved:stands back:withdrawn never:stands"},
		{Query{Device: "office-1"}, "never:stands"},
		{Query{Machine: "nw-01", Device: "tab-1"}, "opened:stands read1:amended moved:stands back:withdrawn"},
	} {
		if got := w.said(Rows(w.history(), c.q, nil, nil, show)); got != c.want {
			t.Errorf("%+v:\n got %s\nwant %s", c.q, got, c.want)
		}
	}
	if got := Visits(w.history().All, "nw-02"); len(got) != 1 || got[0] != story.Visit(1) {
		t.Errorf("visits %v", got)
	}
}

// What was moved to another visit, or moved and never came to count, is listed in both.
func TestCorrectedTo(t *testing.T) {
	w := newWorld()
	w.put("visit", w.tab.Amend("2026-03-02T09:30:00+01:00", w.by["read2"], events.RecordAmended{Visit: story.Visit(2), Site: "lark-hill"}))
	held := w.put("held", w.other.Amend("2026-03-02T09:40:00+01:00", w.by["read2"], events.RecordAmended{Machine: "lh-1"}))
	held.Held = "another device's record"
	h := w.history()
	for _, c := range []struct {
		q    Query
		want string
	}{
		{Query{Visit: story.Visit(2)}, "read2:amended opened2:stands elsewhere:stands visit:stands held:held"},
		{Query{Visit: story.Visit(1)}, "opened:stands read1:amended read2:amended moved:stands visit:stands held:held"},
		{Query{Site: "lark-hill"}, "read2:amended opened2:stands elsewhere:stands visit:stands held:held"},
		{Query{Machine: "lh-1"}, "read2:amended opened2:stands elsewhere:stands visit:stands held:held"},
	} {
		if got := w.said(Rows(h, c.q, nil, nil, show)); got != c.want {
			t.Errorf("%+v:\n got %s\nwant %s", c.q, got, c.want)
		}
	}
}

const golden = `{
  "id": "019cad94-3fe0-7200-b431-000000000000",
  "device": "tab-1",
  "seq": 2,
  "kind": "reading.taken",
  "done": "2026-03-02T09:05:00+01:00",
  "written": "2026-03-02T09:05:00+01:00",
  "received": "2026-03-02T10:05:00+01:00",
  "not_before": "2026-03-01T09:00:00+01:00",
  "not_after": "2026-03-02T10:05:00+01:00",
  "clock_offset_ms": 1500,
  "clock_measured": "after",
  "written_likely": "2026-03-02T09:05:01.500+01:00",
  "zone": "Europe/Zurich",
  "by": "T2",
  "site": "north-yard",
  "machine": "nw-01",
  "visit": "00000000-03e8-7100-8000-000000000000",
  "state": "amended",
  "flags": [
    "not-on-register",
    "clock-off"
  ],
  "corrected_by": [
    "019cad9d-67a0-7400-b431-000000000000"
  ],
  "stage": "cross-checked",
  "body": {
    "kind": "reading.taken"
  }
}`

func TestGolden(t *testing.T) {
	w := newWorld()
	h := w.history()
	said := make([]witness.Said, len(h.All))
	said[1] = witness.Said{
		NotBefore: story.Millis("2026-03-01T09:00:00+01:00"), NotAfter: h.All[1].Received, Offset: &witness.Offset{Millis: 1500, After: true},
		Likely: h.All[1].Done + 1500, Stage: projections.CrossChecked, Flags: []projections.Flag{projections.ClockOff},
	}
	reg := projections.NewRegister(projections.Resolve([]projections.Arrival{
		w.office.Tell("2026-03-01T09:00:00Z", story.On{Site: "north-yard"}, &events.SiteEntered{Zone: "Europe/Zurich"}),
	}, projections.Now))
	list := Rows(h, Query{Machine: "nw-01"}, reg, said, show)
	got, err := json.MarshalIndent(list.Records[1], "", "  ")
	if err != nil || string(got) != golden {
		t.Errorf("%v\ngot %s\nwant %s", err, got, golden)
	}
	if got, _ := json.Marshal(Rows(w.history(), Query{Machine: "nw-99"}, nil, nil, show)); string(got) != `{"records":[]}` {
		t.Errorf("nothing: %s", got)
	}
}

func TestRowsTellWhatIsOdd(t *testing.T) {
	w := newWorld()
	kept := w.put("kept", w.other.Amend("2026-03-02T09:40:00+01:00", w.by["read2"], events.RecordAmended{By: "T3"}))
	kept.Received, kept.Stage = 0, projections.Kept
	lost := w.put("lost", w.tab.Withdraw("2026-03-02T09:41:00+01:00", &projections.Arrival{Record: events.Record{Device: "tab-9", Seq: 4}, Hash: events.Hash{1}}))
	reg := projections.NewRegister(projections.Resolve([]projections.Arrival{
		w.office.Tell("2026-03-01T09:00:00Z", story.On{Site: "north-yard"}, &events.SiteEntered{}),
		w.office.Tell("2026-03-01T09:00:00Z", story.On{Site: "north-yard", Machine: "nw-02"}, &events.MachineEntered{Class: "sink"}),
	}, projections.Now))
	for _, row := range Rows(w.history(), Query{}, reg, nil, show).Records {
		switch row.ID {
		case kept.Record.ID.String():
			if row.Received != nil || row.State != projections.Held || row.Held == "" || row.Stage != projections.Kept || row.Target != w.by["read2"].Record.ID.String() {
				t.Errorf("kept: %+v", row)
			}
		case lost.Record.ID.String():
			if want := "tab-9/4/01" + strings.Repeat("0", 62); row.Target != want || row.State != projections.Stands {
				t.Errorf("lost: %+v; want target %s", row, want)
			}
		case w.by["elsewhere"].Record.ID.String():
			if fmt.Sprint(row.Flags) != "[not-on-register]" {
				t.Errorf("elsewhere: %v", row.Flags)
			}
		case w.by["read2"].Record.ID.String():
			if len(row.Flags) != 0 {
				t.Errorf("read2: %v", row.Flags)
			}
		}
	}
}
