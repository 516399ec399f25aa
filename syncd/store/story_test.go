package store

import (
	"bytes"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ullage/events"
)

// story is what two technicians and an office write in an hour in which everything happens that can: corrections of
// each other's records, in conflict and settled, by those who may and those who may not; machines and visits that are
// mixed up and put right; vessels, instruments and entries of the register that machines share; records that are held
// and let in, of unknown kinds, or no records at all.
type story struct {
	t     *rapid.T
	pads  []*pad // the third one is the office's; those behind it are copies of others
	lines []line
	over  map[events.Hash][]events.Hash // corrections, by the hash of their target
	sides []events.BranchSettled        // that can be settled
}

// line is a record of a story.
type line struct {
	pad *pad
	n   int // in pad.written
}

func (l line) record() *written { return &l.pad.written[l.n] }

var (
	washers = []events.MachineID{"m-1", "m-2", "m-3"}
	yards   = []events.SiteID{"yard", "shed"}
	began   = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
)

const visits = 3

func visit(n int) events.RecordID {
	return events.NewRecordID(events.Millis(n)*1000, [10]byte{byte(n)})
}

func (s *story) number(what string, lo, hi int) int { return rapid.IntRange(lo, hi).Draw(s.t, what) }

func (s *story) litres() *float64 { return ptr(float64(s.number("litres", 0, 200))) }

func (s *story) when() time.Time {
	return began.Add(time.Duration(s.number("minute", 0, 12)) * 5 * time.Minute)
}

func pick[T any](s *story, what string, from ...T) T { return from[s.number(what, 0, len(from)-1)] }

// tell draws a story.
func tell(t *rapid.T, tb testing.TB) *story {
	s := &story{t: t, over: map[events.Hash][]events.Hash{}}
	for _, id := range []events.DeviceID{"tab-1", "tab-2", "office-1"} {
		s.pads = append(s.pads, newPad(tb, id))
	}
	s.write(s.pads[2], on{site: "yard", machine: "m-1"}, s.entry())
	for range s.number("records", 1, 30) {
		s.step()
	}
	return s
}

// part lets a copy of a pad write too, from any of its records on.
func (s *story) part(by *pad) {
	if len(s.pads) == 6 || len(by.written) == by.shared {
		return
	}
	n := s.number("parting", by.shared, len(by.written)-1)
	c := by.part(n, byte(len(s.pads)))
	s.pads = append(s.pads, c)
	s.write(c, on{site: pick(s, "site", yards...), machine: pick(s, "machine", washers...)}, s.body())
	for _, w := range []*written{&by.written[n], &c.written[n]} {
		s.sides = append(s.sides, events.BranchSettled{Device: by.id, Stands: events.Branch{Seq: events.Seq(n) + 1, Link: w.link}})
	}
}

func (s *story) write(by *pad, o on, body events.Body) {
	by.write(s.when(), o, body)
	s.lines = append(s.lines, line{by, len(by.written) - 1})
}

func (s *story) step() {
	by := pick(s, "by", s.pads...)
	office := byOffice(by.id)
	o := on{pick(s, "site", yards...), pick(s, "machine", append(washers, "")...), visit(s.number("visit", 0, visits)), "T1"}
	if o.visit == visit(0) {
		o.visit = events.RecordID{}
	}
	target := s.lines[s.number("target", 0, len(s.lines)-1)].record()
	if s.number("chained", 0, 2) == 0 { // so that corrections of corrections come about
		target = s.lines[len(s.lines)-1].record()
	}
	over := s.over[target.Hash]
	over = over[s.number("over", 0, len(over)):]
	mine := office || target.Record.Device == by.id
	o2 := on{target.Record.Site, target.Record.Machine, target.Record.Visit, target.Record.By}
	held := ""
	switch s.number("step", 0, 16) {
	case 14:
		s.part(by)
		return
	case 15, 16:
		if len(s.sides) == 0 {
			return
		}
		side := s.sides[s.number("side", 0, len(s.sides)-1)]
		s.write(pick(s, "settled by", s.pads[2], s.pads[2], by), on{}, &side)
		if !byOffice(s.lines[len(s.lines)-1].pad.id) {
			held = "the office's"
		}
	case 0, 1:
		b := s.amendment()
		b.Target, b.Why, b.Over = target.Target(), events.Text{Plain: "misread"}, over
		s.write(by, o2, &b)
		s.corrected(target)
		if !mine {
			held = "another's"
		}
	case 2:
		s.write(by, o2, &events.RecordWithdrawn{Target: target.Target(), Why: events.Text{Plain: "twice"}, Over: over})
		s.corrected(target)
		if !mine {
			held = "another's"
		}
	case 3:
		s.write(s.pads[2], o2, &events.RecordAdmitted{Target: target.Target()})
	case 4:
		s.write(by, o, s.register())
		if !office && s.lines[len(s.lines)-1].record().Record.Kind != "instrument.checked" {
			held = "the office's"
		}
	case 5:
		s.odd(by, o)
	case 6:
		s.write(by, o, s.body())
		held = "odd"
	default:
		s.write(by, o, s.body())
	}
	if held != "" {
		s.lines[len(s.lines)-1].record().held = held
	}
}

func (s *story) corrected(target *written) {
	s.over[target.Hash] = append(s.over[target.Hash], s.lines[len(s.lines)-1].record().Hash)
}

// odd writes what this version does not know, or what nobody can read.
func (s *story) odd(by *pad, o on) {
	if s.number("odd", 0, 1) == 0 {
		by.writeRaw(s.when(), o, "thing.thought-of", []byte{0x80})
	} else {
		by.writeBytes(bytes.Repeat([]byte{0xc1}, s.number("bytes", 1, 3)))
	}
	s.lines = append(s.lines, line{by, len(by.written) - 1})
}

func (s *story) entry() *events.MachineEntered {
	return &events.MachineEntered{Class: pick[events.Code](s, "class", "sink", "drum"), Fluid: "BF-A", Tanks: []events.Tank{
		{Tank: pick[events.Code](s, "tank", "wash", "bath"), Shape: "rectangular", LengthMm: ptr(float64(100 * s.number("length", 7, 9))), WidthMm: ptr(600.0), HeightMm: ptr(500.0)},
		{Tank: "rinse", Shape: "vertical-cylinder", DiameterMm: ptr(500.0), HeightMm: ptr(600.0)},
	}}
}

func (s *story) register() events.Body {
	switch s.number("entry", 0, 8) {
	case 0:
		return s.entry()
	case 1:
		return &events.MachineMoved{From: "yard", To: pick(s, "site", yards...)}
	case 2:
		return &events.MachineRetired{Why: events.Text{Plain: "worn"}}
	case 3:
		return &events.FluidSpecified{Fluid: "BF-A", Density: ptr(1 + float64(s.number("density", 0, 9))/100)}
	case 4:
		return &events.ClassSpecified{Class: "sink", WetL: s.litres()}
	case 5:
		return &events.InstrumentSpecified{Instrument: "stick-1", CheckEveryDays: ptr(int64(s.number("days", 1, 2)))}
	case 6:
		return &events.SiteEntered{Zone: "Etc/GMT-1"}
	}
	return &events.InstrumentChecked{Instrument: "stick-1", Result: pick[events.Word](s, "result", "pass", "fail")}
}

func (s *story) body() events.Body {
	switch s.number("kind", 0, 16) {
	case 15:
		return seenBy(s)
	case 16:
		return clockOf(s)
	case 0, 1, 2:
		return &events.ReadingTaken{Quantity: "volume", Value: s.litres(), Method: pick[events.Word](s, "method", "dip", "mark", "eye", ""),
			Moment: pick[events.Word](s, "moment", "arrival", "working", "departure"), Of: pick(s, "of", "", "bath", "wash", "rinse", "vessel:p-31"),
			Instrument: pick[events.Code](s, "instrument", "", "stick-1")}
	case 3:
		return &events.ReadingTaken{Quantity: "level", Value: ptr(*s.litres() * 2), Moment: "departure"}
	case 4:
		return &events.ReadingTaken{Quantity: "ph", Value: ptr(8 + *s.litres()/100), Moment: pick[events.Word](s, "moment", "arrival", "departure")}
	case 5:
		return &events.FluidAdded{From: pick[events.Code](s, "from", "van", "p-31", "p-33"), To: pick[events.Code](s, "to", "bath", "rinse", "p-31", "p-32"), Product: "BF-A", Volume: *s.litres()}
	case 6:
		return &events.FluidRemoved{From: "wash", To: pick[events.Code](s, "to", "p-31", "p-32", "p-33"), What: "bath", Volume: *s.litres(), U: ptr(0.25)}
	case 7:
		return &events.DoseAdded{Product: "BF-A", Mass: s.litres(), Method: "scale"}
	case 8:
		return &events.PartSwapped{Position: "filter", In: &events.PartIn{Part: pick[events.Code](s, "part", "F-50", "F-25")}}
	case 9:
		return &events.FaultFound{Fault: "leak", Position: pick[events.Code](s, "position", "", "pump", "tap")}
	case 10:
		return &events.FaultCleared{Fault: "leak", Position: pick[events.Code](s, "position", "", "pump")}
	case 11:
		return &events.VesselEmptied{Vessel: pick[events.Code](s, "emptied", "p-31", "p-33"), To: pick[events.Code](s, "into", "p-31", "p-32"), Volume: pick(s, "told", nil, s.litres())}
	case 12:
		return &events.HistoryTold{What: "water-added", Volume: s.litres()}
	}
	return &events.VesselStarted{Vessel: pick[events.Code](s, "vessel", "p-31", "p-32"), Form: "pail", CapacityL: ptr(20.0), Use: "holding"}
}

func (s *story) amendment() events.RecordAmended {
	var b events.RecordAmended
	switch s.number("amended", 0, 6) {
	case 0, 1:
		b.Machine = pick(s, "machine", washers...)
	case 2:
		b.Done = events.When(s.when().Format(time.RFC3339))
	case 3:
		b.Visit = visit(s.number("visit", 1, visits))
	case 4:
		b.Site = pick(s, "site", yards...)
	default:
		body, err := events.EncodeBody(pick(s, "new", s.body, s.register)()) // of whatever kind: the gate cannot tell
		if err != nil {
			s.t.Fatal(err)
		}
		b.Body = body
	}
	return b
}
