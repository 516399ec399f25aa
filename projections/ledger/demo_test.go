package ledger

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	lines "ullage/events/entry"
	"ullage/projections"
	"ullage/projections/internal/story"
	"ullage/testdata/demo"
)

// world runs the demo scenario in memory: each device has a list of records, and the centre has what was sent.
type world struct {
	t       *testing.T
	writers map[events.DeviceID]*lines.Writer
	heads   map[events.DeviceID]*events.Head
	wrote   map[events.DeviceID][]projections.Arrival
	all     []*projections.Arrival
	keys    map[string]lines.Answer
	random  byte
	now     events.Millis
}

func (w *world) writer(device events.DeviceID) *lines.Writer {
	if w.writers[device] == nil {
		w.heads[device] = &events.Head{Device: device}
		w.writers[device] = &lines.Writer{
			Device: device, Office: device == "office",
			Now: func() events.Millis { w.now++; return w.now }, Zone: func(events.Millis) int { return 60 },
			Random: func(b []byte) error {
				for i := range b {
					w.random += 37
					b[i] = w.random ^ byte(len(w.all)>>i)
				}
				return nil
			},
			Journal: journal{w, device}, Lookup: lookup{w, device}, Evidence: noEvidence{},
		}
	}
	return w.writers[device]
}

type journal struct {
	*world
	device events.DeviceID
}

func (j journal) Append(build func(events.Head) (lines.Batch, error)) (events.Head, error) {
	head := j.heads[j.device]
	b, err := build(*head)
	if err != nil {
		return events.Head{}, err
	}
	for _, raw := range b.Records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return events.Head{}, err
		}
		head.Seq, head.Clock, head.Link = r.Seq, r.Clock, events.Link(head.Link, events.HashRecord(raw))
		a := projections.Arrival{Record: r, Hash: events.HashRecord(raw), Received: story.Millis("2026-03-15T00:00:00Z"), Stage: projections.Received, Office: j.device == "office"}
		j.wrote[j.device], j.all = append(j.wrote[j.device], a), append(j.all, &a)
	}
	return *head, nil
}

type lookup struct {
	*world
	device events.DeviceID
}

func (l lookup) find(match func(r *events.Record) bool) ([]byte, bool, error) {
	for _, a := range l.all {
		if match(&a.Record) {
			raw, err := events.EncodeRecord(&a.Record)
			return raw, true, err
		}
	}
	return nil, false, nil
}

func (l lookup) ByID(id events.RecordID) ([]byte, bool, error) {
	return l.find(func(r *events.Record) bool { return r.ID == id })
}

func (l lookup) ByKey(key string) ([]byte, bool, error) {
	return l.find(func(r *events.Record) bool { return r.Device == l.device && r.Key == key })
}

func (l lookup) Corrections(of events.Target) ([][]byte, error) {
	var all [][]byte
	for _, a := range l.all {
		body, _ := events.DecodeBody(a.Record.Kind, a.Record.V, a.Record.Body)
		if c, ok := body.(*events.RecordAmended); ok && c.Target == of {
			raw, _ := events.EncodeRecord(&a.Record)
			all = append(all, raw)
		}
	}
	return all, nil
}

type noEvidence struct{}

func (noEvidence) Keep(plain []byte) (events.Digest, error) { return events.HashRecord(plain), nil }
func (noEvidence) Text(events.Digest) ([]byte, bool, error) { return nil, false, nil }
func (noEvidence) Same(d events.Digest, plain []byte) (bool, error) {
	return d == events.HashRecord(plain), nil
}

// record has a device record the lines of a file.
func (w *world) record(device events.DeviceID, file string) {
	w.t.Helper()
	text, err := demo.Files.ReadFile(file)
	if err != nil {
		w.t.Fatal(err)
	}
	var keys []string
	var out bytes.Buffer
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		var l map[string]any
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			w.t.Fatal(err)
		}
		key, _ := l["key"].(string)
		keys = append(keys, key)
		b, _ := json.Marshal(w.replace("", l))
		out.Write(append(b, '\n'))
	}
	answers, err := w.writer(device).Record(&out)
	if err != nil {
		w.t.Fatalf("%s: %v", file, err)
	}
	for i, a := range answers {
		if keys[i] != "" {
			w.keys[keys[i]] = a
		}
	}
}

// replace puts the ids and visits of earlier answers where a line says key:<k>.
func (w *world) replace(name string, x any) any {
	switch x := x.(type) {
	case map[string]any:
		for k, v := range x {
			x[k] = w.replace(k, v)
		}
	case []any:
		for i, v := range x {
			x[i] = w.replace(name, v)
		}
	case string:
		if key, ok := strings.CutPrefix(x, "key:"); ok {
			a, ok := w.keys[key]
			if !ok {
				w.t.Fatalf("no key %q", key)
			}
			if name == "visit" || name == "since" {
				return a.Visit.String()
			}
			return a.ID.String()
		}
	}
	return x
}

type wanted struct {
	After       int `json:"after_step"`
	Machine     events.MachineID
	Tank        string
	Kind        Kind
	From, To    string
	Start       projections.Measured `json:"start_l"`
	End         projections.Measured `json:"end_l"`
	Added       float64              `json:"added_l"`
	Returned    float64              `json:"returned_l"`
	Removed     float64              `json:"removed_l"`
	Spilled     float64              `json:"spilled_l"`
	Told        float64              `json:"told_l"`
	Unexplained projections.Measured `json:"unexplained_l"`
	Without     projections.Measured `json:"unexplained_without_told_l"`
	Grade       Grade
}

// The demo scenario comes out as its author reckoned it by hand, apart from this code.
func TestDemo(t *testing.T) {
	var steps []struct {
		Do, File string
		Device   events.DeviceID
	}
	var want struct {
		Machines map[events.MachineID]any
		Spans    []wanted
		Earlier  []wanted
		After    []struct {
			Step      int
			Say, Look []events.MachineID
		}
		Vessels []struct {
			Vessel  events.Code
			Filling int
			Origin  events.SiteID
			L       float64
		}
	}
	for file, into := range map[string]any{"steps.json": &steps, "expect.json": &want} {
		text, err := demo.Files.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, into); err != nil {
			t.Fatal(err)
		}
	}
	w := &world{t: t, writers: map[events.DeviceID]*lines.Writer{}, heads: map[events.DeviceID]*events.Head{}, wrote: map[events.DeviceID][]projections.Arrival{},
		keys: map[string]lines.Answer{}, now: story.Millis("2026-03-14T20:00:00Z")}
	sent := map[events.DeviceID]int{}
	var ledgers map[events.MachineID]Ledger
	fold := func() {
		var all []projections.Arrival
		for device, n := range sent {
			all = append(all, w.wrote[device][:n]...)
		}
		ledgers = map[events.MachineID]Ledger{}
		in := input("", all)
		for machine := range want.Machines {
			in.Machine = machine
			ledgers[machine] = Fold(in)
		}
	}
	for i, step := range steps {
		switch step.Do {
		case "office":
			w.record("office", step.File)
			sent["office"] = len(w.wrote["office"])
		case "record", "kill":
			w.record(step.Device, step.File)
		case "sync":
			sent[step.Device] = len(w.wrote[step.Device])
		}
		for _, after := range want.After {
			if after.Step != i+1 {
				continue
			}
			fold()
			var says, looks []events.MachineID
			for machine, l := range ledgers {
				for _, s := range l.Spans {
					if s.Grade == Say && !slices.Contains(says, machine) {
						says = append(says, machine)
					}
					if s.Grade == Look && !slices.Contains(looks, machine) {
						looks = append(looks, machine)
					}
				}
			}
			slices.Sort(says)
			slices.Sort(looks)
			if !slices.Equal(says, after.Say) || !slices.Equal(looks, after.Look) {
				t.Errorf("after step %d: got say %v, look %v; want %v, %v", i+1, says, looks, after.Say, after.Look)
			}
			for _, e := range want.Earlier {
				if e.After == i+1 {
					e.check(t, ledgers[e.Machine])
				}
			}
		}
	}
	fold()
	for _, e := range want.Spans {
		e.check(t, ledgers[e.Machine])
	}
	closed := 0
	for _, l := range ledgers {
		for _, s := range l.Spans {
			if s.To != nil && s.Kind != Mixed {
				closed++
			}
		}
	}
	if closed != len(want.Spans) {
		t.Errorf("got %d spans, want %d", closed, len(want.Spans))
	}
	for _, v := range want.Vessels {
		found := false
		for _, l := range ledgers {
			for _, g := range l.Vessels {
				if g.Vessel == v.Vessel && g.Filling != nil && *g.Filling == fmt.Sprintf("%s/%d", v.Vessel, v.Filling) {
					found = true
					if math.Abs(float64(g.L)-v.L) > 1e-6 || g.Origin != v.Origin || len(g.Flags) > 0 {
						t.Errorf("got %s, want %+v", text(t, g), v)
					}
				}
			}
		}
		if !found {
			t.Errorf("no filling %s/%d", v.Vessel, v.Filling)
		}
	}
}

// tolerance is what the scenario's figures are rounded to, and a little more.
const tolerance = 0.01

// check compares a span. The scenario reckons all flows as independent, so that u is not compared where one meter
// measured several.
func (w wanted) check(t *testing.T, l Ledger) {
	t.Helper()
	for _, s := range l.Spans {
		if s.Tank != w.Tank || s.To == nil || s.From.String() != w.From || s.To.String() != w.To {
			continue
		}
		what := fmt.Sprintf("%s %s %s", w.Machine, w.Tank, w.From)
		for _, c := range []struct {
			name      string
			got, want projections.Measured
		}{
			{"start", *s.Start, w.Start}, {"end", *s.End, w.End}, {"unexplained", *s.Unexplained, w.Unexplained}, {"without told", *s.WithoutTold, w.Without},
		} {
			if !near(c.got.Value, float64(c.want.Value), tolerance) || !near(c.got.U, float64(c.want.U), 0.02) && !sharesMeter(s) {
				t.Errorf("%s: %s: got %v, want %v", what, c.name, c.got, c.want)
			}
		}
		for i, c := range []struct{ got, want float64 }{
			{float64(s.Added.Value), w.Added}, {float64(s.Returned.Value), w.Returned}, {float64(s.Removed.Value), w.Removed}, {float64(s.Spilled.Value), w.Spilled}, {float64(s.Told.Value), w.Told},
		} {
			if math.Abs(c.got-c.want) > 0.01 {
				t.Errorf("%s: term %d: got %v, want %v", what, i, c.got, c.want)
			}
		}
		if s.Kind != w.Kind || s.Grade != w.Grade {
			t.Errorf("%s: got %s, %s because of %s; want %s, %s", what, s.Kind, s.Grade, s.Because, w.Kind, w.Grade)
		}
		return
	}
	t.Errorf("%s %s: no span from %s to %s", w.Machine, w.Tank, w.From, w.To)
}

// sharesMeter tells whether one instrument measured several flows of a span.
func sharesMeter(s Span) bool {
	count := map[events.Code]int{}
	for _, f := range s.Flows {
		if count[f.Instrument]++; f.Instrument != "" && count[f.Instrument] > 1 {
			return true
		}
	}
	return false
}
