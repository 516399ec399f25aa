package agent

import (
	"errors"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// judged is a judge over copies that hold one machine with one tank of 200 litres, entered at 1000.
func judged(t *testing.T) *judge {
	t.Helper()
	c := openedCopies(t, t.TempDir())
	_, err := c.take(&wire.PullAnswer{Records: []wire.Pulled{
		officeRecord(t, 1, "", 1000, &events.SiteEntered{}),
		officeRecord(t, 2, "m-1", 1000, &events.MachineEntered{
			Class: "sink", Positions: []events.Code{"filter", "strainer"},
			Tanks: []events.Tank{{Tank: "main", Shape: "rectangular", LengthMm: ptr(1000.0), WidthMm: ptr(500.0), HeightMm: ptr(400.0)}},
		}),
		officeRecord(t, 3, "", 1000, &events.VesselStarted{Vessel: "p-9"}),
	}})
	if err != nil {
		t.Fatal(err)
	}
	held := func() (*heldView, error) { return newHeldView(c) }
	j := &judge{held: held, own: newOwnView(empty{})}
	j.begin()
	return j
}

// empty is a journal without records.
type empty struct{}

func (empty) Scan(events.Seq, func(events.Seq, []byte) error) error { return nil }

func TestJudge(t *testing.T) {
	reading := func(quantity events.Word, value float64, unit, of string) events.Body {
		return &events.ReadingTaken{Quantity: quantity, Value: &value, Unit: unit, Of: of}
	}
	removed := func(to events.Code) events.Body {
		return &events.FluidRemoved{From: "bath", To: to, What: "sludge", Volume: 3}
	}
	j := judged(t)
	for _, try := range []struct {
		name    string
		machine events.MachineID
		site    events.SiteID
		done    events.Millis
		body    events.Body
		flags   string
		want    string // in the error
	}{
		{"fits", "m-1", "yard", 2000, reading("volume", 200, "L", ""), "", ""},
		{"beyond the brim", "m-1", "yard", 2000, reading("volume", 200.5, "L", ""), "", "body.value: 200.5 L: the tank main of m-1 holds at most 200.0 L"},
		{"in gallons", "m-1", "yard", 2000, reading("volume", 53, "[gal_us]", "main"), "", "holds at most"},
		{"level", "m-1", "yard", 2000, reading("level", 400, "", "bath"), "", ""},
		{"level beyond", "m-1", "yard", 2000, reading("level", 41, "cm", ""), "", "holds at most 400 mm"},
		{"of a vessel", "m-1", "yard", 2000, reading("volume", 900, "L", "vessel:p-1"), "", ""},
		{"no such tank", "m-1", "yard", 2000, reading("volume", 9, "L", "rinse"), "", "body.of: \"rinse\": m-1 has the tanks main"},
		{"before the entry", "m-1", "", 500, reading("volume", 900, "L", ""), "not-on-register", ""},
		{"unknown machine", "m-7", "yard", 2000, reading("volume", 900, "L", ""), "not-on-register", ""},
		{"unknown site", "", "moor", 2000, &events.VisitOpened{Reason: "planned"}, "not-on-register", ""},
		{"position", "m-1", "yard", 2000, &events.PartChecked{Position: "filter", State: "good"}, "", ""},
		{"no such position", "m-1", "yard", 2000, &events.PartChecked{Position: "lid", State: "good"}, "", "body.position: \"lid\": m-1 has the positions filter, strainer"},
		{"into a drain", "m-1", "yard", 2000, removed("drain"), "", ""},
		{"into a vessel that another device started", "m-1", "yard", 2000, removed("p-9"), "", ""},
		{"into a vessel", "m-1", "yard", 2000, removed("p-1"), "not-started", ""},
		{"it is started", "", "yard", 2000, &events.VesselStarted{Vessel: "p-1"}, "", ""},
		{"into it", "m-1", "yard", 2000, removed("p-1"), "", ""},
	} {
		flags, err := j.record(&events.Record{Machine: try.machine, Site: try.site, Done: try.done}, try.body)
		if got := strings.Join(flags, " "); got != try.flags {
			t.Errorf("%s: flags %q, want %q", try.name, got, try.flags)
		}
		if (err == nil) != (try.want == "") || err != nil && !strings.Contains(err.Error(), try.want) {
			t.Errorf("%s: error %v, want %q", try.name, err, try.want)
		}
		if field := (*events.FieldError)(nil); err != nil && !errors.As(err, &field) {
			t.Errorf("%s: a %T", try.name, err)
		}
	}
	// What a call started counts for that call; what is written the view has read.
	j.begin()
	if flags, err := j.record(&events.Record{Machine: "m-1", Site: "yard", Done: 2000}, removed("p-1")); err != nil || len(flags) != 1 {
		t.Errorf("in the next call: %v, %v", flags, err)
	}
}
