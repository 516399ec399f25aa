package projections_test

import (
	"errors"
	"testing"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

func register(arrivals ...projections.Arrival) *projections.Register {
	return projections.NewRegister(projections.Resolve(arrivals, projections.Now))
}

func TestMachineOnTheRegister(t *testing.T) {
	office := &story.Teller{Device: "office-1", Office: true}
	on := func(site events.SiteID) story.On { return story.On{Site: site, Machine: "nw-01"} }
	entered := office.Tell("2026-03-02T08:00:00Z", on("north-yard"), &events.MachineEntered{Class: "sink", Fluid: "BF-A"})
	moved := office.Tell("2026-03-04T08:00:00Z", on("north-yard"), &events.MachineMoved{From: "north-yard", To: "lark-hill"})
	again := office.Tell("2026-03-05T08:00:00Z", on(""), &events.MachineEntered{Class: "sink", Fluid: "BF-B"})
	retired := office.Tell("2026-03-06T08:00:00Z", on(""), &events.MachineRetired{})
	// What was entered first was wrong from the start.
	wrong := office.Amend("2026-03-09T08:00:00Z", &entered, events.RecordAmended{Done: "2026-03-01T08:00:00Z"})
	r := register(retired, again, moved, entered, wrong)
	for _, c := range []struct {
		at      string
		fluid   events.Code
		site    events.SiteID
		retired bool
	}{
		{"2026-03-01T07:59:59Z", "", "", false},
		{"2026-03-01T08:00:00Z", "BF-A", "north-yard", false},
		{"2026-03-04T07:59:59Z", "BF-A", "north-yard", false},
		{"2026-03-04T08:00:00Z", "BF-A", "lark-hill", false},
		{"2026-03-05T08:00:00Z", "BF-B", "lark-hill", false},
		{"2026-03-07T08:00:00Z", "BF-B", "lark-hill", true},
	} {
		got, ok := r.Machine("nw-01", story.Millis(c.at))
		fluid := events.Code("")
		if got.Entry != nil {
			fluid = got.Entry.Fluid
		}
		if ok != (c.fluid != "") || fluid != c.fluid || got.Site != c.site || got.Retired != c.retired {
			t.Errorf("at %s: fluid %q at %q, retired %v, %v; want %+v", c.at, fluid, got.Site, got.Retired, ok, c)
		}
	}
	if r.Entry("nw-02", events.MaxMillis) != nil || (*projections.Register)(nil).Entry("nw-01", 0) != nil {
		t.Error("an entry where there is none")
	}
}

// A reading that was never entered on the register is flagged, not refused.
func TestRegisterFlags(t *testing.T) {
	w := newTale()
	office := w.office.Tell("2026-03-02T09:00:00+01:00", story.On{Site: "north-yard"}, &events.SiteEntered{Zone: "Europe/Oslo"})
	machine := w.office.Tell("2026-03-02T09:00:00+01:00", story.On{Site: "north-yard", Machine: "nw-01"}, &events.MachineEntered{Class: "sink"})
	fact := projections.Resolve([]projections.Arrival{*w.by["R"]}, projections.Now).Facts[0]
	for _, c := range []struct {
		register *projections.Register
		flags    int
	}{{register(), 1}, {register(office), 1}, {register(machine), 1}, {register(office, machine), 0}} {
		if got := c.register.Flags(&fact); len(got) != c.flags {
			t.Errorf("flags %v; want %d", got, c.flags)
		}
	}
}

func TestInstrumentChecked(t *testing.T) {
	office, tab := &story.Teller{Device: "office-1", Office: true}, &story.Teller{Device: "tab-1"}
	spec := func(at string, days int64) projections.Arrival {
		b := &events.InstrumentSpecified{Instrument: "stick-1"}
		if days > 0 {
			b.CheckEveryDays = &days
		}
		return office.Tell(at, story.On{}, b)
	}
	check := func(at string, result events.Word, next events.When) projections.Arrival {
		return tab.Tell(at, story.On{}, &events.InstrumentChecked{Instrument: "stick-1", Result: result, Next: next})
	}
	type list = []projections.Arrival
	for _, c := range []struct {
		name     string
		arrivals list
		at       string
		want     bool
	}{
		{"never", list{spec("2026-03-01T08:00:00Z", 30)}, "2026-03-02T08:00:00Z", false},
		{"within the days", list{spec("2026-03-01T08:00:00Z", 30), check("2026-03-02T08:00:00Z", "pass", "")}, "2026-04-01T08:00:00Z", true},
		{"after the days", list{spec("2026-03-01T08:00:00Z", 30), check("2026-03-02T08:00:00Z", "pass", "")}, "2026-04-01T08:00:00.001Z", false},
		{"at its own moment", list{check("2026-03-02T08:00:00Z", "pass", "")}, "2026-03-02T08:00:00Z", true},
		{"before it", list{check("2026-03-02T08:00:00Z", "pass", "")}, "2026-03-02T07:59:59Z", false},
		{"failed", list{check("2026-03-02T08:00:00Z", "pass", ""), check("2026-03-03T08:00:00Z", "fail", "")}, "2026-03-04T08:00:00Z", false},
		{"passed again", list{check("2026-03-02T08:00:00Z", "fail", ""), check("2026-03-03T08:00:00Z", "pass", "")}, "2026-03-04T08:00:00Z", true},
		{"without a specification or a next", list{check("2026-03-02T08:00:00Z", "pass", "")}, "2036-03-02T08:00:00Z", true},
		{"until the day of the next", list{check("2026-03-02T08:00:00Z", "pass", "2026-03-10")}, "2026-03-10T23:59:59Z", true},
		{"after the day of the next", list{check("2026-03-02T08:00:00Z", "pass", "2026-03-10")}, "2026-03-11T00:00:00Z", false},
		{"until the moment of the next", list{check("2026-03-02T08:00:00Z", "pass", "2026-03-10T09:00:00Z")}, "2026-03-10T09:00:01Z", false},
		{"the specification's days before the next", list{spec("2026-03-01T08:00:00Z", 3), check("2026-03-02T08:00:00Z", "pass", "2026-03-10")}, "2026-03-07T08:00:00Z", false},
		{"a specification without days", list{spec("2026-03-01T08:00:00Z", 0), check("2026-03-02T08:00:00Z", "pass", "2026-03-10")}, "2026-03-07T08:00:00Z", true},
		{"a specification that comes later", list{spec("2026-03-08T08:00:00Z", 3), check("2026-03-02T08:00:00Z", "pass", "2026-03-10")}, "2026-03-07T08:00:00Z", true},
	} {
		if got := register(c.arrivals...).InstrumentChecked("stick-1", story.Millis(c.at)); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestLocalTime(t *testing.T) {
	w := newTale()
	fact := projections.Resolve([]projections.Arrival{*w.by["R"]}, projections.Now).Facts[0]
	load := func(name string) (*time.Location, error) {
		if name != "Asia/Tokyo" {
			return nil, errors.New("no such zone")
		}
		return time.FixedZone(name, 9*3600), nil
	}
	for zone, want := range map[string]string{"": "09:05", "Asia/Tokyo": "17:05", "Not/There": "09:05"} {
		site := w.office.Tell("2026-03-01T09:00:00+01:00", story.On{Site: "north-yard"}, &events.SiteEntered{Zone: zone, Customer: "C-4"})
		if got := register(site).Local(&fact, load).Format("15:04"); got != want {
			t.Errorf("zone %q: %s; want %s", zone, got, want)
		}
	}
}

func TestAgreement(t *testing.T) {
	office := &story.Teller{Device: "office-1", Office: true}
	site := office.Tell("2026-03-01T08:00:00Z", story.On{Site: "north-yard"}, &events.SiteEntered{Customer: "C-4"})
	customer := office.Tell("2026-03-01T08:00:00Z", story.On{}, &events.AgreementSet{Customer: "C-4", VisitsAYear: story.P(4.0)})
	own := office.Tell("2026-03-03T08:00:00Z", story.On{}, &events.AgreementSet{Site: "north-yard", VisitsAYear: story.P(12.0)})
	r := register(site, customer, own)
	for at, want := range map[string]float64{"2026-03-02T08:00:00Z": 4, "2026-03-03T08:00:00Z": 12} {
		if a, ok := r.Agreement("north-yard", story.Millis(at)); !ok || *a.VisitsAYear != want {
			t.Errorf("at %s: %v, %v; want %g", at, a, ok, want)
		}
	}
	if _, ok := r.Agreement("lark-hill", events.MaxMillis); ok {
		t.Error("an agreement with nobody")
	}
}

func TestEveryRegisterKindIsRead(t *testing.T) {
	office := &story.Teller{Device: "office-1", Office: true}
	at := "2026-03-01T08:00:00Z"
	r := register(
		office.Tell(at, story.On{}, &events.CustomerEntered{Code: "C-4"}), office.Tell(at, story.On{}, &events.ClassSpecified{Class: "sink"}),
		office.Tell(at, story.On{}, &events.FluidSpecified{Fluid: "BF-A", Density: story.P(1.05)}), office.Tell(at, story.On{}, &events.PartSpecified{Part: "F-50"}),
		office.Tell(at, story.On{}, &events.ItemSpecified{Item: "rag"}), office.Tell(at, story.On{}, &events.InstrumentSpecified{Instrument: "stick-1"}))
	now := events.MaxMillis
	_, customer := r.Customer("C-4", now)
	_, class := r.Class("sink", now)
	_, fluid := r.Fluid("BF-A", now)
	_, part := r.Part("F-50", now)
	_, item := r.Item("rag", now)
	_, instrument := r.Instrument("stick-1", now)
	if !customer || !class || !fluid || !part || !item || !instrument {
		t.Error(customer, class, fluid, part, item, instrument)
	}
	if d, ok := r.Density("BF-A", now); !ok || d != 1.05 {
		t.Errorf("density %g, %v", d, ok)
	}
	for _, kind := range []events.Kind{"site.entered", "customer.entered", "machine.entered", "machine.moved", "machine.retired", "class.specified",
		"fluid.specified", "part.specified", "item.specified", "instrument.specified", "instrument.checked", "agreement.set"} {
		if !projections.IsRegister(kind) || events.Newest(kind) == 0 {
			t.Errorf("%s is a kind of the register", kind)
		}
	}
	if projections.IsRegister("reading.taken") {
		t.Error("reading.taken is none")
	}
}
