package agent

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ullage/events"
	"ullage/events/unit"
	"ullage/projections"
	"ullage/projections/handbook"
)

// judge holds records against the register as far as this device has it. Where it holds the entry that was in force, a
// value that cannot be is an error; where it does not, the record is taken and flagged. It belongs to the writer.
type judge struct {
	held func() (*heldView, error)
	own  *ownView

	started map[events.Code]bool // vessels, by lines of this call
}

// begin forgets the lines of the last call.
func (j *judge) begin() { j.started = map[events.Code]bool{} }

// record is entry.Writer's Judge.
func (j *judge) record(r *events.Record, body events.Body) ([]string, error) {
	if r.Kind == events.KindRenewed {
		return nil, &events.FieldError{Path: "kind", Value: strconv.Quote(string(r.Kind)), Want: "the device makes the key and writes this itself; run: ullage-agent renew"}
	}
	held, err := j.held()
	if err != nil {
		return nil, err
	}
	entry := held.register.Entry(r.Machine, r.Done)
	if entry != nil {
		if err := fits(entry, r.Machine, body); err != nil {
			return nil, err
		}
	}
	var flags []string
	fact := &projections.Fact{Machine: r.Machine, Site: r.Site, At: r.Done}
	for _, f := range held.register.Flags(fact) {
		flags = append(flags, string(f))
	}
	if b, ok := body.(*events.VesselStarted); ok {
		j.started[b.Vessel] = true
	}
	unknown, err := j.notStarted(held, entry, body)
	if err != nil {
		return nil, err
	}
	if unknown {
		flags = append(flags, string(projections.NotStarted))
	}
	return flags, nil
}

// notStarted tells whether a flow names a vessel that nobody has started, as far as is known here.
func (j *judge) notStarted(held *heldView, entry *events.MachineEntered, body events.Body) (bool, error) {
	flow, ok := events.FlowOf(body)
	if !ok {
		return false, nil
	}
	for _, place := range []events.Code{flow.From, flow.To} {
		if _, tank := projections.IsTank(entry, place); tank || !isVessel(place) || j.started[place] || held.vessels[place] {
			continue
		}
		if own, err := j.own.started(place); err != nil || !own {
			return true, err
		}
	}
	return false, nil
}

// isVessel tells whether a flow's place can be the code of a vessel: a listed place cannot.
func isVessel(place events.Code) bool {
	return place != "" && events.Check(&events.VesselStarted{Vessel: place}) == nil
}

// fits holds what a body says of a machine against its entry. The error is a *events.FieldError.
func fits(entry *events.MachineEntered, machine events.MachineID, body events.Body) error {
	switch b := body.(type) {
	case *events.ReadingTaken:
		if name, ok := strings.CutPrefix(b.Of, "position:"); ok {
			return hasPosition(entry, machine, "body.of", events.Code(name))
		}
		return fitsTank(entry, machine, b)
	case *events.PartSwapped:
		return hasPosition(entry, machine, "body.position", b.Position)
	case *events.PartChecked:
		return hasPosition(entry, machine, "body.position", b.Position)
	}
	return nil
}

func hasPosition(entry *events.MachineEntered, machine events.MachineID, path string, position events.Code) error {
	if len(entry.Positions) == 0 || position == "" || slices.Contains(entry.Positions, position) {
		return nil
	}
	return &events.FieldError{Path: path, Value: strconv.Quote(string(position)), Want: fmt.Sprintf("%s has the positions %s", machine, listed(entry.Positions))}
}

func listed(codes []events.Code) string {
	var names []string
	for _, c := range codes {
		names = append(names, string(c))
	}
	return strings.Join(names, ", ")
}

// fitsTank holds a level or a volume to what the tank can hold.
func fitsTank(entry *events.MachineEntered, machine events.MachineID, b *events.ReadingTaken) error {
	if b.Quantity != "level" && b.Quantity != "volume" || len(entry.Tanks) == 0 {
		return nil
	}
	name, shape, ok := projections.TankOf(entry, b.Of)
	if !ok {
		return nil // of a vessel
	}
	if !slices.ContainsFunc(entry.Tanks, func(t events.Tank) bool { return string(t.Tank) == name }) {
		var tanks []events.Code
		for _, t := range entry.Tanks {
			tanks = append(tanks, t.Tank)
		}
		return &events.FieldError{Path: "body.of", Value: strconv.Quote(b.Of), Want: fmt.Sprintf("%s has the tanks %s", machine, listed(tanks))}
	}
	if shape == nil || b.Value == nil {
		return nil
	}
	u, err := events.QuantityUnit(b.Quantity, b.Unit)
	if err != nil {
		return err
	}
	full, most, err := brim(b.Quantity, shape)
	if err != nil {
		return nil // a tank that cannot be reckoned with bounds nothing
	}
	if got := u.SI(unit.Value{V: *b.Value}).V; got > full*(1+1e-6) {
		return &events.FieldError{Path: "body.value", Value: strconv.FormatFloat(*b.Value, 'g', -1, 64) + " " + u.Code, Want: fmt.Sprintf("the tank %s of %s holds at most %s", name, machine, most)}
	}
	return nil
}

// brim is the level or the volume of a full tank, in the dimension's own unit and in words.
func brim(quantity events.Word, shape *handbook.Tank) (full float64, words string, err error) {
	height := handbook.TankHeight(shape)
	if quantity == "level" {
		return height / 1000, fmt.Sprintf("%g mm", height), nil
	}
	litres, err := handbook.TankVolume(shape, height)
	if err != nil {
		return 0, "", errors.Join(err)
	}
	return litres, fmt.Sprintf("%.1f L", litres), nil
}
