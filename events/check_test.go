package events_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
)

// TestCheckRefuses: bad bodies, with the field that is named and a part of what is said of it.
func TestCheckRefuses(t *testing.T) {
	reading := func(change func(*events.ReadingTaken)) events.Body {
		b := &events.ReadingTaken{Quantity: "volume", Value: ptr(100.0), Unit: "L"}
		change(b)
		return b
	}
	tank := func(tanks ...events.Tank) events.Body { return &events.MachineEntered{Class: "sink", Tanks: tanks} }
	for _, c := range []struct {
		body events.Body
		path string
		says string
	}{
		{&events.VisitOpened{Reason: "whim"}, "reason", `"whim": not one of planned, called, return, delivery`},
		{&events.VisitOpened{Answers: events.Target{Device: "d", Hash: sum("x")}}, "answers.seq", "must be given"},
		{&events.VisitJoined{}, "other", "must be given"},
		{&events.VisitJoined{Other: "tab 2"}, "other", "character"},
		{&events.VisitClosed{}, "outcome", "must be given"},
		{&events.VisitClosed{Outcome: "done"}, "outcome", "machine-off"},
		{&events.VisitClosed{Outcome: "complete", WaitedMin: ptr(-1.0)}, "waited_min", "out of range: at least 0"},
		{&events.VisitClosed{Outcome: "complete", Text: plain(strings.Repeat("x", 81))}, "text", "at most 80"},
		{&events.WorkStarted{FoundBy: "luck"}, "found_by", "scan, plate, list"},
		{&events.TaskDone{}, "task", "must be given"},
		{&events.TaskDone{Task: "skim", Skipped: ptr(true)}, "why", "say why"},
		{&events.TaskDone{Task: "skim", Skipped: ptr(true), Why: plain("no time"), Started: "2026-03-02"}, "started", "was not started"},
		{&events.TaskDone{Task: "skim", Skipped: ptr(true), Why: plain("no time"), Ended: "2026-03-02"}, "ended", "was not ended"},
		{&events.TaskDone{Task: "skim", Started: "2026-03-02T09:05:00+01:00", Ended: "2026-03-02T08:04:00Z"}, "ended", "lies before"},
		{&events.TaskDone{Task: "skim", Started: "2026-03-02T09:05:00+01:00", Ended: "2026-03-01"}, "ended", "lies before"},
		{&events.TaskDone{Task: "skim", Started: "soon"}, "started", "not a time"},
		{&events.TimeSpent{What: "sleep", Minutes: 1}, "what", "travel, work, waiting, helper"},
		{&events.TimeSpent{What: "work", Minutes: 10081}, "minutes", "0 to 10080"},
		{&events.TimeSpent{What: "work", Minutes: math.NaN()}, "minutes", "out of range"},

		{reading(func(b *events.ReadingTaken) { b.Quantity = "weight" }), "quantity", "not one of ph, strength"},
		{reading(func(b *events.ReadingTaken) { b.Quantity = "" }), "quantity", "must be given"},
		{reading(func(b *events.ReadingTaken) { b.Unit = "kg" }), "unit", `"kg"; right would be L, l, mL, m3, [gal_us], [gal_br]`},
		{reading(func(b *events.ReadingTaken) { b.Unit = "litres" }), "unit", "right would be"},
		{reading(func(b *events.ReadingTaken) { b.Value = nil }), "value", "not_read with why"},
		{reading(func(b *events.ReadingTaken) { b.Value, b.NotRead = nil, ptr(true) }), "why", "say why"},
		{reading(func(b *events.ReadingTaken) { b.Value, b.NotRead = nil, ptr(false) }), "value", "must be given"},
		{reading(func(b *events.ReadingTaken) { b.NotRead, b.Why = ptr(true), plain("broken") }), "value", "has no value"},
		{reading(func(b *events.ReadingTaken) { b.Value = ptr(-1.0) }), "value", "-1 L: out of range for volume: 0 to 1e+06 L"},
		{reading(func(b *events.ReadingTaken) { b.Value = ptr(1e7) }), "value", "out of range for volume"},
		{reading(func(b *events.ReadingTaken) { b.U = ptr(-0.1) }), "u", "at least 0"},
		{reading(func(b *events.ReadingTaken) { b.Limit = "about" }), "limit", "below, above"},
		{reading(func(b *events.ReadingTaken) { b.Moment = "later" }), "moment", "arrival, working, departure"},
		{reading(func(b *events.ReadingTaken) { b.Of = "supply:steam" }), "of", "supply:water, supply:air"},
		{reading(func(b *events.ReadingTaken) { b.Of = "vessel:p 31" }), "of", "character"},
		{reading(func(b *events.ReadingTaken) { b.State = &events.State{Pump: "maybe"} }), "state.pump", "on, off"},
		{&events.ReadingTaken{Quantity: "ph", Value: ptr(14.5)}, "value", "0 to 14 [pH]"},
		{&events.ReadingTaken{Quantity: "temperature", Value: ptr(400.0), Unit: "[degF]"}, "value", "-58 to 302 [degF]"},
		{&events.ReadingTaken{Quantity: "temperature", Value: ptr(160.0)}, "value", "-50 to 150 Cel"},
		{&events.ReadingTaken{Quantity: "strength", Value: ptr(1.5), Unit: "1"}, "value", "0 to 1 1"},
		{&events.ReadingTaken{Quantity: "air-flow", Value: ptr(5.0), Unit: "[psi]"}, "unit", "[cft_i]/min"},

		{&events.LookNoted{What: "foam"}, "grade", "at least one of grade, evidence"},
		{&events.LookNoted{What: "foam", Grade: ptr(int64(4))}, "grade", "0 to 3"},
		{&events.LookNoted{What: "foam", Grade: ptr(int64(1)), Of: "a:b"}, "of", "position:<name>"},
		{&events.InstrumentChecked{Instrument: "M-1"}, "result", "must be given"},
		{&events.InstrumentChecked{Instrument: "M-1", Result: "pass", Unit: "pH"}, "unit", "[pH]"},
		{&events.InstrumentChecked{Instrument: "M-1", Result: "pass", Next: "2026-06-31"}, "next", "not a date"},
		{&events.CheckMade{Check: "lid", Result: "not-done"}, "why", "say why"},
		{&events.CheckMade{Check: "earth", Result: "not-done", Why: plain("no meter"), Value: ptr(1.0)}, "value", "no value"},
		{&events.CheckMade{Check: "earth", Result: "pass", Value: ptr(0.2), Unit: "mA"}, "unit", "Ohm, MOhm"},
		{&events.CheckMade{Check: "insulation", Result: "pass", Value: ptr(-1.0)}, "value", "out of range for insulation"},
		{&events.MachineLeft{Lid: "ajar"}, "lid", "on, off, open, closed"},
		{&events.MachineLeft{SetCel: ptr(151.0)}, "set_cel", "-50 to 150"},
		{&events.HistoryTold{What: "nothing", Volume: ptr(1.0)}, "volume", "no volume belongs to nothing"},
		{&events.HistoryTold{What: "drained", Volume: ptr(1.0), Unit: "kg"}, "unit", "right would be L"},

		{&events.DoseAdded{Product: "PH-UP"}, "volume", "at least one of volume, mass"},
		{&events.DoseAdded{Product: "PH-UP", Mass: ptr(1.0), Unit: "L"}, "unit", "kg, g, [lb_av]"},
		{&events.DoseAdded{Product: "PH-UP", Volume: ptr(1.0), Unit: "kg"}, "unit", "right would be L"},
		{&events.FluidRemoved{From: "bath", To: "bath", What: "sludge", Volume: 1}, "to", "another place"},
		{&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: -1}, "volume", "at least 0"},
		{&events.FluidRemoved{From: "bath", To: "p-31", What: "mud", Volume: 1}, "what", "bath, sludge, oil, rinse"},
		{&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 1, Unit: "gal"}, "unit", "[gal_us]"},
		{&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 1, Kg: ptr(-1.0)}, "kg", "at least 0"},
		{&events.FluidReturned{From: "p-30", To: "bath", Volume: 1, Unit: "m"}, "unit", "right would be L"},
		{&events.FluidReturned{From: "p-30", Volume: 1}, "to", "must be given"},
		{&events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 1, Strength: ptr(101.0)}, "strength", "0 to 100"},
		{&events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 1, Method: "guess"}, "method", "mark, meter, scale, eye"},
		{&events.FluidSpilled{From: "bath", Volume: 1, Reached: "river"}, "reached", "floor, drain, soil, bund"},
		{&events.BathRenewed{Volume: ptr(1.0), Unit: "%"}, "unit", "right would be L"},

		{&events.VesselStarted{Vessel: "drain"}, "vessel", "a listed place cannot be the code of a vessel"},
		{&events.VesselStarted{Vessel: "p/31"}, "vessel", "character"},
		{&events.VesselStarted{Vessel: "p-31", CapacityL: ptr(-1.0)}, "capacity_l", "0 to 100000"},
		{&events.VesselMarked{Vessel: "p-31", Hazards: []string{"ok", strings.Repeat("x", 81)}}, "hazards[2]", "at most 80"},
		{&events.VesselMoved{Vessel: "p-31", From: "van", To: "van"}, "to", "another place"},
		{&events.VesselMoved{Vessel: "p-31", To: "moon"}, "to", "site-store, van, depot"},
		{&events.VesselEmptied{Vessel: "p-31", To: "p-31"}, "to", "another place"},
		{&events.VesselHanded{Vessel: "p-31", Kg: ptr(-1.0)}, "kg", "at least 0"},
		{&events.PartSwapped{Position: "filter"}, "in", "at least one of in, out"},
		{&events.PartSwapped{Position: "filter", In: &events.PartIn{}}, "in.part", "must be given"},
		{&events.PartSwapped{Position: "filter", In: &events.PartIn{Part: "F-50"}, Why: "bored"}, "why", "due, worn"},
		{&events.ItemUsed{Item: "RAG", Quantity: -1}, "quantity", "at least 0"},
		{&events.StockMoved{Item: "RAG", Quantity: 1}, "to", "at least one of to, from"},
		{&events.StockMoved{Item: "RAG", Quantity: 1, From: "van", To: "van"}, "to", "another place"},

		{&events.PhotoTaken{}, "evidence", "must be given"},
		{&events.NoteWritten{}, "text", "at least one of text, evidence"},
		{&events.NoteWritten{Text: plain("x"), Evidence: sum("x")}, "evidence", "not both"},
		{&events.FaultFound{Fault: "leak", Grade: ptr(int64(0))}, "grade", "1 to 3"},
		{&events.FaultFound{}, "fault", "must be given"},
		{&events.ReturnPromised{ByWhen: "friday"}, "by_when", "not a date"},
		{&events.SignatureCaptured{}, "evidence", "at least one of evidence, declined"},
		{&events.SignatureCaptured{Evidence: sum("x"), Declined: "refused"}, "declined", "was not declined"},
		{&events.ReportGiven{Lang: "en_GB"}, "lang", "language tag"},

		{&events.RecordAmended{Target: target(1), Why: plain("w")}, "body", "at least one of body, site, machine, visit, by, done"},
		{&events.RecordAmended{Target: target(1), Why: plain("w"), Done: "2026-03-02"}, "done", "with its zone"},
		{&events.RecordAmended{Target: target(1), Site: "s"}, "why", "must be given"},
		{&events.RecordWithdrawn{Why: plain("w")}, "target", "must be given"},
		{&events.ClockChecked{}, "offset_ms", "at least one of offset_ms, stepped_ms"},
		{&events.ClockChecked{OffsetMs: ptr(int64(1)), SteppedMs: ptr(int64(-1))}, "stepped_ms", "not both"},
		{&events.ClockChecked{SteppedMs: ptr(int64(-1)), RoundTripMs: ptr(int64(1))}, "round_trip_ms", "belongs to offset_ms"},
		{&events.ClockChecked{SteppedMs: ptr(int64(1))}, "stepped_ms", "at most -1"},
		{&events.CheckpointSeen{Origin: "o", Size: -1, Root: sum("r")}, "size", "at least 0"},
		{&events.DeviceEnrolled{Device: "tab-1"}, "keys", "must be given"},
		{&events.DeviceEnrolled{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: make([]byte, 31)}}}, "keys[1].key", "32 bytes, not 31"},
		{&events.DeviceEnrolled{Device: "tab-1", Keys: []events.DeviceKey{{Use: "opening", Key: make([]byte, 32)}}}, "keys[1].use", "sealing, connection"},
		{&events.BranchSettled{Device: "tab-1", Stands: events.Branch{Link: sum("l")}}, "stands.seq", "must be given"},
		{&events.RangeLost{Device: "tab-1", From: 5, To: 4}, "to", "before from"},
		{&events.EpochStarted{OldOrigin: "o", OldSize: 4, OldRoot: sum("r"), CommonSize: 5}, "common_size", "at most old_size"},
		{&events.ErasureDone{Ground: plain("asked")}, "evidence", "must be given"},

		{&events.CustomerEntered{}, "code", "must be given"},
		{&events.SiteEntered{Zone: "Europe/Wien!"}, "zone", "time zone"},
		{&events.SiteEntered{Air: &events.Air{Psi: ptr(-1.0)}}, "air.psi", "0 to 1000"},
		{&events.SiteEntered{Water: &events.Water{Ph: ptr(15.0)}}, "water.ph", "0 to 14"},
		{&events.SiteEntered{Refs: []events.Ref{{Name: "a"}}}, "refs[1].value", "must be given"},
		{tank(events.Tank{Tank: "bath", Shape: "round"}), "tanks[1].shape", "rectangular"},
		{tank(events.Tank{Tank: "bath", Shape: "rectangular", LengthMm: ptr(900.0), WidthMm: ptr(600.0)}), "tanks[1].height_mm", "a rectangular tank needs it"},
		{tank(events.Tank{Tank: "bath", Shape: "strapped"}), "tanks[1].table", "at least two rows"},
		{tank(events.Tank{Tank: "bath", Shape: "strapped", Table: []events.Strap{{DepthMm: 0, L: 1}, {DepthMm: 0, L: 2}}}), "tanks[1].table[2]", "must grow"},
		{tank(events.Tank{Tank: "a", Shape: "vertical-cylinder", DiameterMm: ptr(1.0), HeightMm: ptr(1.0)}, events.Tank{Tank: "a", Shape: "vertical-cylinder", DiameterMm: ptr(1.0), HeightMm: ptr(1.0)}),
			"tanks[2].tank", "stands before"},
		{tank(events.Tank{Tank: "sump", Shape: "cone-bottom", DiameterMm: ptr(400.0), BottomDiameterMm: ptr(0.0), ConeHeightMm: ptr(150.0), HeightMm: ptr(100.0)}), "tanks[1].height_mm", "at least 150"},
		{&events.MachineEntered{Class: "sink", WorkingL: ptr(100.0), LeastL: ptr(150.0)}, "working_l", "at least 150"},
		{&events.MachineEntered{Class: "sink", OpenHWeek: ptr(169.0)}, "open_h_week", "0 to 168"},
		{&events.MachineEntered{Class: "sink", Positions: []events.Code{"filter", "two words"}}, "positions[2]", "character"},
		{&events.MachineFound{}, "plate", "at least one of plate, evidence"},
		{&events.MachineMoved{From: "a", To: "a"}, "to", "another site"},
		{&events.ClassSpecified{Class: "sink", Tasks: []events.Task{{Task: "skim"}, {Task: "skim"}}}, "tasks[2].task", "stands before"},
		{&events.FluidSpecified{Fluid: "BF-A", PhLow: ptr(9.0), PhTarget: ptr(8.0)}, "ph_target", "at least 9"},
		{&events.FluidSpecified{Fluid: "BF-A", StrengthLow: ptr(6.0), StrengthHigh: ptr(3.0)}, "strength_high", "at least 6"},
		{&events.FluidSpecified{Fluid: "BF-A", TemperatureLow: ptr(45.0), TemperatureHigh: ptr(35.0)}, "temperature_high", "at least 45"},
		{&events.FluidSpecified{Fluid: "BF-A", Sds: &events.Sds{Evidence: sum("x"), Lang: "german?"}}, "sds.lang", "language tag"},
		{&events.FluidSpecified{Fluid: "BF-A", Density: ptr(1060.0)}, "density", "0.3 to 3"},
		{&events.PartSpecified{Part: "F-50", Unit: "kg"}, "unit", "right would be"},
		{&events.PartSpecified{Part: "F-50", Kit: &events.Kit{Rule: "perhaps"}}, "kit.rule", "due, visit, always, never"},
		{&events.InstrumentSpecified{Instrument: "M-1", CheckEveryDays: ptr(int64(0))}, "check_every_days", "1 to 36500"},
		{&events.AgreementSet{Customer: "C-4", Site: "s"}, "site", "not both"},
		{&events.AgreementSet{Customer: "C-4", From: "2026-12-31", To: "2026-01-01"}, "to", "lies before"},
		{&events.AgreementSet{Customer: "C-4", Prices: []events.Price{{Item: "BF-A", Minor: 1, Currency: "euro"}}}, "prices[1].currency", "EUR"},
		{&events.AgreementSet{Customer: "C-4", Prices: []events.Price{{Item: "BF-A", Minor: -1, Currency: "EUR"}}}, "prices[1].minor", "at least 0"},
		{&events.AgreementSet{Customer: "C-4", Travel: &events.Charge{Currency: "eur"}}, "travel.currency", "EUR"},
		{&events.RoundAssigned{Day: "2026-03-02"}, "device", "at least one of device, staff"},
		{&events.RoundAssigned{Device: "tab-1"}, "day", "must be given"},
		{&events.BillSent{By: "nobody"}, "by", "office, integrator"},
		{&events.BillSent{Lines: &events.BillLines{Records: []events.Target{target(1), {}}}}, "lines.records[2].device", "must be given"},
		{&events.DisputeOpened{}, "claim", "must be given"},
		{&events.DisputeSettled{}, "outcome", "must be given"},
	} {
		err := events.Check(c.body)
		var f *events.FieldError
		if !errors.As(err, &f) {
			t.Errorf("%T %+v: got %v, want a FieldError at %s", c.body, c.body, err, c.path)
			continue
		}
		if f.Path != c.path || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%T: got %q, want %q at %s", c.body, err, c.says, c.path)
		}
	}
}

// TestCheckTakes: bodies that are unusual and right.
func TestCheckTakes(t *testing.T) {
	for _, b := range []events.Body{
		&events.VisitOpened{},
		&events.TaskDone{Task: "skim", Skipped: ptr(true), Why: long("the reason")},
		&events.TaskDone{Task: "skim", Skipped: ptr(false), Started: "2026-03-02", Ended: "2026-03-02T00:30:00+01:00"},
		&events.TaskDone{Task: "skim", Started: "2026-03-02T09:00:00+01:00", Ended: "2026-03-02T08:00:00Z"},
		&events.ReadingTaken{Quantity: "volume", Value: ptr(0.0)},
		&events.ReadingTaken{Quantity: "volume", NotRead: ptr(true), Why: plain("lid locked")},
		&events.ReadingTaken{Quantity: "hardness", Value: ptr(300.0), Unit: "mg/L", Of: "supply:water"},
		&events.ReadingTaken{Quantity: "temperature", Value: ptr(104.0), Unit: "[degF]", Of: "sump"},
		&events.ReadingTaken{Quantity: "filter-drop", Value: ptr(0.3), Of: "position:filter"},
		&events.ReadingTaken{Quantity: "ph", Value: ptr(9.0), Method: "a word of our own"},
		&events.LookNoted{What: "smell", Evidence: sum("x")},
		&events.CheckMade{Check: "lid", Result: "pass"},
		&events.CheckMade{Check: "hose", Result: "pass", Value: ptr(2.0), Unit: "bar"},
		&events.CheckMade{Check: "leakage-trip", Result: "fail", Value: ptr(30.0), Unit: "mA"},
		&events.DoseAdded{Product: "PH-UP", Mass: ptr(280.0), Unit: "g"},
		&events.DoseAdded{Product: "PH-UP", Volume: ptr(0.0)},
		&events.FluidAdded{From: "tap", To: "bath", Volume: 10},
		&events.PartSwapped{Position: "filter", Out: &events.PartOut{}},
		&events.SignatureCaptured{Declined: "nobody-there"},
		&events.ClockChecked{SteppedMs: ptr(int64(-90_000))},
		&events.FluidSpecified{Fluid: "water"},
		&events.RoundChanged{Staff: "T2", Day: "2026-03-02", Why: "strike"},
		&events.HoldPlaced{Why: plain("dispute")},
		&events.MachineEntered{Class: "sink"},
	} {
		if err := events.Check(b); err != nil {
			t.Errorf("%T %+v: %v", b, b, err)
		}
		if _, err := events.EncodeBody(b); err != nil {
			t.Errorf("%T %+v: %v", b, b, err)
		}
	}
}

// numbers finds every number with bounds in a kind: where it stands, and how it is reached.
func numbers(s *events.Schema, path string, visit func(path string, f *events.Field)) {
	for i := range s.Fields {
		f := &s.Fields[i]
		name := path + f.Name
		if f.List {
			name += "[1]"
		}
		switch f.Type {
		case events.TypeObject:
			numbers(f.Of, name+".", visit)
		case events.TypeFloat, events.TypeInt:
			visit(name, f)
		}
	}
}

// at finds the field of a body that a path names.
func at(v reflect.Value, path string) reflect.Value {
	for part := range strings.SplitSeq(path, ".") {
		name, list := strings.CutSuffix(part, "[1]")
		for i := range v.NumField() {
			if field, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("f"), ","); field == name {
				v = v.Field(i)
				break
			}
		}
		if list {
			if v.Len() == 0 {
				v.Set(reflect.MakeSlice(v.Type(), 1, 1))
			}
			v = v.Index(0)
		}
		if v.Kind() == reflect.Pointer {
			if v.IsNil() {
				v.Set(reflect.New(v.Type().Elem()))
			}
			v = v.Elem()
		}
	}
	return v
}

// TestCheckRanges puts numbers outside of their bounds into bodies that are right otherwise, wherever a kind has a
// number with bounds.
func TestCheckRanges(t *testing.T) {
	bounds := 0
	for i, golden := range goldenBodies {
		s, _ := events.SchemaOf(golden.Kind(), events.Newest(golden.Kind()))
		numbers(s, "", func(path string, f *events.Field) {
			if math.IsInf(f.Lo, -1) && math.IsInf(f.Hi, 1) {
				return
			}
			bounds++
			// A body of its own, so that the golden one is not changed.
			encoded, err := events.EncodeBody(goldenBodies[i])
			if err != nil {
				t.Fatal(err)
			}
			rapid.Check(t, func(t *rapid.T) {
				b, err := events.DecodeBody(golden.Kind(), s.V, encoded)
				if err != nil {
					t.Fatal(err)
				}
				below := rapid.Float64Range(-1e12, math.Nextafter(max(f.Lo, -1e11), -1e12))
				above := rapid.Float64Range(math.Nextafter(min(f.Hi, 1e11), 1e12), 1e12)
				var sides []*rapid.Generator[float64]
				if !math.IsInf(f.Lo, -1) {
					sides = append(sides, below)
				}
				if !math.IsInf(f.Hi, 1) {
					sides = append(sides, above)
				}
				out := rapid.OneOf(sides...).Draw(t, "outside")
				v := at(reflect.ValueOf(b).Elem(), path)
				if f.Type == events.TypeFloat {
					v.SetFloat(out)
				} else {
					if out < f.Lo {
						out = math.Floor(out)
					} else {
						out = math.Ceil(out)
					}
					v.SetInt(int64(out))
				}
				err = events.Check(b)
				var fe *events.FieldError
				if !errors.As(err, &fe) || !strings.Contains(fe.Want, "out of range") {
					t.Fatalf("%s: %s = %g: got %v, want it out of range", b.Kind(), path, out, err)
				}
				if fe.Path != path {
					t.Fatalf("%s: %s = %g: got the path %s", b.Kind(), path, out, fe.Path)
				}
			})
		})
	}
	if bounds < 50 {
		t.Errorf("only %d numbers with bounds were tried", bounds)
	}
}

// TestEveryNumberHasBounds: a number may be any only where the field says so by design.
func TestEveryNumberHasBounds(t *testing.T) {
	free := map[string]bool{ // judged by their unit and quantity, or of either sign
		"reading.taken value": true, "reading.taken raw": true, "check.made value": true, "instrument.checked expected": true, "instrument.checked read": true,
		"clock.checked offset_ms": true,
	}
	for _, s := range events.Schemas() {
		numbers(s, "", func(path string, f *events.Field) {
			name := string(s.Kind) + " " + path
			bare := math.IsInf(f.Lo, -1) && math.IsInf(f.Hi, 1)
			unsigned := strings.HasSuffix(path, "seq") || strings.HasPrefix(string(s.Kind), "range.")
			if bare && !unsigned && !free[name] {
				t.Errorf("%s has no bounds", name)
			}
		})
	}
}

// TestCheckVolumeUnits holds every kind with a volume to units of volume.
func TestCheckVolumeUnits(t *testing.T) {
	tried := 0
	for _, golden := range goldenBodies {
		v := reflect.ValueOf(golden).Elem()
		if volume := v.FieldByName("Volume"); !volume.IsValid() || golden.Kind() == "dose.added" {
			continue
		}
		tried++
		encoded, err := events.EncodeBody(golden)
		if err != nil {
			t.Fatal(err)
		}
		for unit, ok := range map[string]bool{"": true, "L": true, "[gal_us]": true, "kg": false, "mm": false, "liter": false} {
			b, err := events.DecodeBody(golden.Kind(), 1, encoded)
			if err != nil {
				t.Fatal(err)
			}
			reflect.ValueOf(b).Elem().FieldByName("Unit").SetString(unit)
			if err := events.Check(b); (err == nil) != ok {
				t.Errorf("%s in %q: %v", b.Kind(), unit, err)
			}
		}
	}
	if tried < 8 {
		t.Errorf("only %d kinds have a volume", tried)
	}
}

func TestFlowOf(t *testing.T) {
	show := func(x *float64) string {
		if x == nil {
			return "-"
		}
		return fmt.Sprintf("%.6g", *x)
	}
	for _, c := range []struct {
		body events.Body
		want string // from, to, litres, u, kilograms, product, strength
	}{
		{&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, U: ptr(0.25)}, "bath p-31 12 0.25 -  -"},
		{&events.FluidReturned{From: "p-30", To: "bath", Volume: 2, Unit: "[gal_us]", U: ptr(1.0)}, "p-30 bath 7.57082 3.78541 -  -"},
		{&events.FluidAdded{From: "van", To: "sump", Product: "BF-A", Strength: ptr(5.0), Volume: 500, Unit: "mL"}, "van sump 0.5 - - BF-A 5"},
		{&events.FluidSpilled{From: "bath", Volume: 3, RecoveredL: ptr(2.0)}, "bath floor 3 - -  -"},
		{&events.FluidSpilled{From: "bath", Volume: 3, Reached: "soil"}, "bath soil 3 - -  -"},
		{&events.DoseAdded{Product: "PH-UP", Volume: ptr(250.0), Unit: "mL", U: ptr(5.0)}, " bath 0.25 0.005 - PH-UP -"},
		{&events.DoseAdded{Product: "PH-UP", To: "sump", Mass: ptr(280.0), Unit: "g", U: ptr(10.0)}, " sump 0 0.01 0.28 PH-UP -"},
		{&events.DoseAdded{Product: "PH-UP", Mass: ptr(1.0)}, " bath 0 - 1 PH-UP -"},
		{&events.VesselEmptied{Vessel: "p-31", To: "t-2", Volume: ptr(18.0)}, "p-31 t-2 18 - -  -"},
		{&events.VesselRinsed{Vessel: "p-31", With: "water", Volume: ptr(2.0)}, " p-31 2 - - water -"},
	} {
		f, ok := events.FlowOf(c.body)
		if got := fmt.Sprintf("%s %s %.6g %s %s %s %s", f.From, f.To, f.L, show(f.U), show(f.Kg), f.Product, show(f.Strength)); !ok || got != c.want {
			t.Errorf("%T: got %q, %v, want %q", c.body, got, ok, c.want)
		}
	}
	for _, b := range []events.Body{
		&events.BathRenewed{Volume: ptr(200.0)}, &events.HistoryTold{What: "water-added", Volume: ptr(20.0)}, &events.VesselEmptied{Vessel: "p-31"}, &events.VesselRinsed{Vessel: "p-31"},
		&events.FluidAdded{From: "van", To: "bath", Volume: 1, Unit: "kg"}, &events.DoseAdded{Product: "PH-UP"}, &events.DoseAdded{Product: "PH-UP", Mass: ptr(1.0), Unit: "L"},
	} {
		if f, ok := events.FlowOf(b); ok {
			t.Errorf("%T: got the flow %+v, want none", b, f)
		}
	}
}
