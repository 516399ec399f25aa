package store

import (
	"strings"

	"ullage/events"
	"ullage/projections"
)

// Histories are named as projections.Key writes itself. Beside the spaces there, the store has two of its own.
const (
	ofRegister projections.Space = "register" // everything that every device gets; it has no name
	ofInterest projections.Space = "interest" // what decides which machines concern a device
)

var registerKey = projections.Key{Space: ofRegister}.String()

func keyOf(space projections.Space, name string) string {
	return projections.Key{Space: space, Name: name}.String()
}

func machineKey(id events.MachineID) string { return keyOf(projections.OfMachine, string(id)) }
func visitKey(id events.RecordID) string    { return keyOf(projections.OfVisit, id.String()) }

// machineOf is the inverse of machineKey.
func machineOf(key string) (events.MachineID, bool) {
	id, ok := strings.CutPrefix(key, string(projections.OfMachine)+":")
	return events.MachineID(id), ok
}

// ofEntries tells whether a history is of entries of the register that results can rest on.
func ofEntries(key string) bool {
	space, _, _ := strings.Cut(key, ":")
	return isEntry(projections.Space(space))
}

func isEntry(s projections.Space) bool {
	switch s {
	case projections.OfClass, projections.OfFluid, projections.OfPart, projections.OfItem, projections.OfInstrument:
		return true
	}
	return false
}

// keysOf lists the histories that a record belongs to by what it says itself, none twice.
func keysOf(a *projections.Arrival) []projections.Key {
	var body events.Body
	if a.Content != nil {
		body = a.Content.Body
	}
	keys := projections.Touches(&a.Record, body)
	if projections.IsRegister(a.Record.Kind) {
		keys = append(keys, projections.Key{Space: ofRegister})
	}
	switch b := body.(type) {
	case *events.RoundAssigned:
		keys = appendInterest(keys, b.Device)
	case *events.RoundChanged:
		keys = appendInterest(keys, b.Device)
	case *events.InterestGranted:
		keys = appendInterest(keys, b.Device)
	}
	return keys
}

func appendInterest(keys []projections.Key, device events.DeviceID) []projections.Key {
	if device == "" {
		return keys
	}
	return append(keys, projections.Key{Space: ofInterest, Name: string(device)})
}
