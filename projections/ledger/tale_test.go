package ledger

import (
	"encoding/json"
	"math"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// tale is what a device and an office recorded, in the order in which they did.
type tale struct {
	t       *testing.T
	device  story.Teller
	office  story.Teller
	site    events.SiteID
	machine events.MachineID
	all     []projections.Arrival
}

func newTale(t *testing.T) *tale {
	return &tale{t: t, device: story.Teller{Device: "tab-1"}, office: story.Teller{Device: "office-1", Office: true}, site: "north", machine: "m-1"}
}

// on tells a record of a visit, 0 for none, and gives it back.
func (s *tale) on(done string, visit byte, body events.Body) *projections.Arrival {
	on := story.On{Site: s.site, Machine: s.machine, By: "T1"}
	if visit > 0 {
		on.Visit = story.Visit(visit)
	}
	return s.keep(s.device.Tell(done, on, body))
}

// office tells a record of the office.
func (s *tale) enter(body events.Body) {
	on := story.On{By: "O1"}
	if _, ok := body.(*events.MachineEntered); ok {
		on.Site, on.Machine = s.site, s.machine
	}
	s.keep(s.office.Tell("2020-01-01T08:00:00Z", on, body))
}

func (s *tale) keep(a projections.Arrival) *projections.Arrival {
	s.all = append(s.all, a)
	return &a
}

// input is what the books of a machine are made of, from records that arrived in any order.
func input(machine events.MachineID, all []projections.Arrival) projections.Input {
	h := projections.Resolve(all, projections.Now)
	return projections.Input{Machine: machine, History: h, Vessels: h, Register: projections.NewRegister(h), Bounds: projections.Now}
}

func (s *tale) fold() Ledger { return Fold(input(s.machine, s.all)) }

// spans are the closed spans of a tank.
func (s *tale) spans(tank string) []Span {
	var all []Span
	for _, x := range s.fold().Spans {
		if x.Tank == tank && x.To != nil {
			all = append(all, x)
		}
	}
	return all
}

// only is the one closed span of the bath.
func (s *tale) only() Span {
	s.t.Helper()
	all := s.spans("bath")
	if len(all) != 1 {
		s.t.Fatalf("got %d closed spans, want 1", len(all))
	}
	return all[0]
}

// still is a machine that stands as it should while it is read.
var still = &events.State{Pump: "off", Air: "off", Basket: "empty", DrainedMin: story.P(10.0)}

// volume is a reading of the bath's volume, in litres, with u.
func volume(moment events.Word, l, u float64) *events.ReadingTaken {
	return &events.ReadingTaken{Quantity: "volume", Value: &l, U: &u, Method: "dip", Moment: moment, State: still}
}

func temperature(moment events.Word, cel float64) *events.ReadingTaken {
	return &events.ReadingTaken{Quantity: "temperature", Value: &cel, Method: "meter", Moment: moment}
}

func fresh(l, u float64) *events.FluidAdded {
	return &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: l, U: &u}
}

func taken(l, u float64) *events.FluidRemoved {
	return &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: l, U: &u}
}

// warm20 reads 20 degrees at both ends of a visit, so that volumes count as they are and nothing is added to u.
func (s *tale) warm20(day string, visit byte) {
	s.on(day+"T08:01:00Z", visit, temperature("arrival", 20))
	s.on(day+"T09:59:00Z", visit, temperature("departure", 20))
}

// visit tells a whole visit at 20 degrees: arrival at eight, flows from nine, departure at ten.
func (s *tale) visit(day string, visit byte, start, end, u float64, flows ...events.Body) {
	s.warm20(day, visit)
	s.on(day+"T08:00:00Z", visit, volume("arrival", start, u))
	for _, f := range flows {
		s.on(day+"T09:00:00Z", visit, f)
	}
	s.on(day+"T10:00:00Z", visit, volume("departure", end, u))
}

func near(got projections.Amount, want, tol float64) bool {
	return math.Abs(float64(got)-want) <= tol
}

// is checks a result to 1e-6, which is how it is fixed, or to what the hand's rounding leaves.
func is(t *testing.T, what string, got *projections.Measured, value, u, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: got null, want %v with u %v", what, value, u)
		return
	}
	if !near(got.Value, value, tol) || !near(got.U, u, tol) {
		t.Errorf("%s: got %v with u %v, want %v with u %v", what, got.Value, got.U, value, u)
	}
}

func grade(t *testing.T, what string, s Span, want Grade, because Because) {
	t.Helper()
	if s.Grade != want || s.Because != because {
		t.Errorf("%s: got %s because of %s (%v), want %s because of %s", what, s.Grade, s.Because, *s.Unexplained, want, because)
	}
}

func kinds(spans []Span) (all []Kind) {
	for _, s := range spans {
		all = append(all, s.Kind)
	}
	return all
}

func text(t *testing.T, value any) string {
	t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
