package store

import (
	"strings"

	"ullage/events"
	"ullage/projections"
)

// Histories are named as projections.Key writes itself. Beside the spaces there, the store has some of its own.
const (
	ofRegister projections.Space = "register" // everything that every device gets; it has no name
	ofInterest projections.Space = "interest" // what decides which machines concern a device
	ofErasure  projections.Space = "erasure"  // what orders, confirms and forbids the erasure of evidence; it has no name
	ofKeys     projections.Space = "keys"     // what says which keys a device has
	ofFork     projections.Space = "fork"     // what decides about the branches of a device
	ofFleet    projections.Space = "fleet"    // by which devices are let in and revoked; it has no name
)

var (
	registerKey = projections.Key{Space: ofRegister}.String()
	erasureKey  = projections.Key{Space: ofErasure}.String()
	fleetKey    = projections.Key{Space: ofFleet}.String()
)

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

// parseKey is the inverse of projections.Key.String.
func parseKey(key string) projections.Key {
	space, name, _ := strings.Cut(key, ":")
	return projections.Key{Space: projections.Space(space), Name: name}
}

// isEntry tells whether a history is of entries of the register that results can rest on.
func isEntry(s projections.Space) bool {
	switch s {
	case projections.OfClass, projections.OfFluid, projections.OfPart, projections.OfItem, projections.OfInstrument:
		return true
	}
	return false
}

// envelope is what a record says of whom it concerns, outside its body.
type envelope struct {
	site    events.SiteID
	machine events.MachineID
	visit   events.RecordID
}

// keys lists the histories that records of that envelope belong to.
func (e envelope) keys() []projections.Key {
	return projections.Touches(&events.Record{Site: e.site, Machine: e.machine, Visit: e.visit}, nil)
}

// bodyKeys lists the histories that a record belongs to by what its body says.
func bodyKeys(a *projections.Arrival) []projections.Key {
	if a.Content == nil {
		return nil
	}
	body := a.Content.Body
	keys := projections.Touches(&events.Record{Kind: a.Record.Kind}, body)
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
	case *events.ErasureDone, *events.HoldPlaced, *events.HoldLifted:
		keys = append(keys, projections.Key{Space: ofErasure})
	case *events.BranchSettled:
		keys = append(keys, projections.Key{Space: ofFork, Name: string(b.Device)})
	case *events.DeviceEnrolled:
		keys = append(keys, projections.Key{Space: ofKeys, Name: string(b.Device)}, projections.Key{Space: ofFleet})
	case *events.DeviceRenewed:
		keys = append(keys, projections.Key{Space: ofKeys, Name: string(b.Device)})
	case *events.DeviceRevoked:
		keys = append(keys, projections.Key{Space: ofKeys, Name: string(b.Device)}, projections.Key{Space: ofFleet})
	}
	return keys
}

// keysOf lists the histories that a record belongs to by what it says itself.
func keysOf(a *projections.Arrival) []projections.Key {
	return append(envelope{a.Record.Site, a.Record.Machine, a.Record.Visit}.keys(), bodyKeys(a)...)
}

func appendInterest(keys []projections.Key, device events.DeviceID) []projections.Key {
	if device == "" {
		return keys
	}
	return append(keys, projections.Key{Space: ofInterest, Name: string(device)})
}
