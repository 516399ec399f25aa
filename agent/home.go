package agent

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/wire"
)

// ErrNotEnrolled is returned for a folder in which no device lives.
var ErrNotEnrolled = errors.New("no device is enrolled here")

// home is the folder of a device.
type home string

func (h home) path(name string) string { return filepath.Join(string(h), name) }

func (h home) device() string   { return h.path("device.json") }
func (h home) pins() string     { return h.path("pins.json") }
func (h home) gates() string    { return h.path("gates.json") }
func (h home) memory() string   { return h.path("sync.json") }
func (h home) log() string      { return h.path("log.json") }
func (h home) address() string  { return h.path("agent.json") }
func (h home) journal() string  { return h.path("journal") }
func (h home) evidence() string { return h.path("evidence") }
func (h home) erased() string   { return h.path("erased.json") }
func (h home) pulled() string   { return h.path("pulled") }
func (h home) keys() string     { return h.path("keys") }
func (h home) heir() home       { return home(h.path("heir")) }

// lineage are the identities that a folder has had, oldest first: where one forked, the next goes on in a folder within
// its own. The last is the one that writes.
func lineage(dir string) []home {
	all := []home{home(dir)}
	for {
		next := all[len(all)-1].heir()
		if _, err := os.Stat(next.device()); err != nil {
			return all
		}
		all = append(all, next)
	}
}

// current is the home of the identity that writes.
func current(dir string) home {
	all := lineage(dir)
	return all[len(all)-1]
}

const identityFormat = 1

// identity is device.json: what the centre gave at enrolment.
type identity struct {
	Format int             `json:"format"`
	Device events.DeviceID `json:"device"`
	NATS   string          `json:"nats"`             // where the device connects; several servers apart by commas
	JWT    string          `json:"jwt"`              // its credential, which is of no use without its key
	Seal   []byte          `json:"seal_key"`         // of the enrolment, by which the chain begins
	Centre string          `json:"centre"`           // address of enrolment
	Parent events.DeviceID `json:"parent,omitempty"` // that has forked, and from which this one goes on; its JWT is empty until the office has let it in
}

// sealKey is the public key by which the device's seals hold until it is renewed.
func (id identity) sealKey() ed25519.PublicKey { return id.Seal }

// read is the identity of a folder. The error wraps ErrNotEnrolled where there is none.
func (h home) read() (identity, error) {
	var id identity
	err := readJSON(h.device(), &id)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return identity{}, fmt.Errorf("%w: %s has no device.json; ask the office for a code and run: ullage-agent enrol", ErrNotEnrolled, h)
	case err != nil:
		return identity{}, err
	case id.Format != identityFormat:
		return identity{}, fmt.Errorf("%s has format %d, which this version does not know", h.device(), id.Format)
	case len(id.Seal) != ed25519.PublicKeySize:
		return identity{}, fmt.Errorf("%s has no public key of the device", h.device())
	}
	if err := events.CheckIdentifier(string(id.Device)); err != nil {
		return identity{}, fmt.Errorf("%s: device: %w", h.device(), err)
	}
	return id, nil
}

// gateKeys are the keys of the centre's gates, by name.
type gateKeys map[events.DeviceID]ed25519.PublicKey

// readGates reads gates.json.
func (h home) readGates() (gateKeys, error) {
	var list []wire.EnrolGate
	if err := readJSON(h.gates(), &list); err != nil {
		return nil, err
	}
	keys := gateKeys{}
	for _, g := range list {
		keys[g.Gate] = g.Key
	}
	return keys, nil
}

// writeGates is the inverse of readGates.
func (h home) writeGates(keys gateKeys) error {
	list := make([]wire.EnrolGate, 0, len(keys))
	for gate, key := range keys {
		list = append(list, wire.EnrolGate{Gate: gate, Key: key})
	}
	slices.SortFunc(list, func(a, b wire.EnrolGate) int { return strings.Compare(string(a.Gate), string(b.Gate)) })
	return writeJSON(h.gates(), list)
}

// learn gives the keys with those that the centre names added, and whether there are new ones. A gate that is known
// keeps its key: one that comes under another is an alarm, since whoever could swap it could forge receipts.
func (k gateKeys) learn(named []wire.GateKey) (more gateKeys, grown bool, err error) {
	more = gateKeys{}
	for gate, key := range k {
		more[gate] = key
	}
	for _, g := range named {
		have, known := more[g.Gate]
		switch {
		case known && !have.Equal(g.Key):
			return nil, false, &Stop{StopGate, fmt.Sprintf("gate %s comes with another key than this device knows; nothing is sent until the office has said which is right", g.Gate)}
		case !known:
			more[g.Gate], grown = g.Key, true
		}
	}
	return more, grown, nil
}
