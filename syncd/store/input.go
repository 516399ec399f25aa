package store

import (
	"fmt"

	"ullage/events"
	"ullage/projections"
)

// Histories are named as projections.Key writes itself.
const (
	machinePrefix = string(projections.OfMachine) + ":"
	visitPrefix   = string(projections.OfVisit) + ":"
)

func machineKey(id events.MachineID) string { return machinePrefix + string(id) }
func visitKey(id events.RecordID) string    { return visitPrefix + id.String() }

// keysOf lists the histories that a record belongs to by what it says itself.
func keysOf(a *projections.Arrival) []string {
	var body events.Body
	if a.Content != nil {
		body = a.Content.Body
	}
	touched := projections.Touches(&a.Record, body)
	keys := make([]string, 0, len(touched)+1)
	for _, k := range touched {
		keys = append(keys, k.String())
	}
	if isRegister(&a.Record) {
		keys = append(keys, registerKey)
	}
	switch b := body.(type) {
	case *events.RoundAssigned:
		if b.Device != "" {
			keys = append(keys, interestKey(b.Device))
		}
	case *events.InterestGranted:
		keys = append(keys, interestKey(b.Device))
	}
	return keys
}

// interestKey is the history of what decides which machines concern a device.
func interestKey(device events.DeviceID) string { return "interest:" + string(device) }

// registerKey is the history of everything that every device gets.
const registerKey = "register"

// isRegister tells whether a record goes to every device.
func isRegister(r *events.Record) bool { return projections.IsRegister(r.Kind) }

// input gathers all that the projections of a machine are folded from, and the other histories that it rests on.
// history loads one.
func (m *model) input(history func(key string) ([]projections.Arrival, error), id events.MachineID, b projections.Bounds) (projections.Input, map[string]bool, error) {
	in := projections.Input{Machine: id, Bounds: b}
	own, err := history(machineKey(id))
	if err != nil {
		return in, nil, err
	}
	if len(own) == 0 {
		return in, nil, fmt.Errorf("machine %s: %w", id, ErrNotThere)
	}
	in.History = projections.Resolve(own, b)
	needs := map[string]bool{}
	var register, vessels []projections.Arrival
	for _, key := range projections.Needs(id, in.History) {
		name := key.String()
		needs[name] = true
		arrivals, err := history(name)
		if err != nil {
			return in, nil, err
		}
		if key.Space == projections.OfVessel {
			vessels = append(vessels, arrivals...)
		} else {
			register = append(register, arrivals...)
		}
	}
	in.Vessels = projections.Resolve(vessels, b)
	entries := projections.Resolve(register, b)
	// The machine's own entries stand in its own history.
	for _, f := range in.History.Facts {
		switch f.Body.(type) {
		case *events.MachineEntered, *events.MachineMoved, *events.MachineRetired:
			entries.Facts = append(entries.Facts, f)
		}
	}
	in.Register = projections.NewRegister(entries)
	return in, needs, nil
}
