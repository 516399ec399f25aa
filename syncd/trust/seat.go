package trust

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// A centre on a cluster can have several seats: programs like this one, each with a folder, an office's device (office-2)
// and a gate (gate-2) of its own, and the centre's other keys in common. Seats learn of each other, and of the devices that
// others have enrolled, from the office's records.

// ErrKnown is in the error of Learn about a name that is somebody else's here.
var ErrKnown = errors.New("the name is known here with other keys")

// Names of the devices and gates of seats.
var seatName = regexp.MustCompile(`^(office|gate)-([1-9][0-9]{0,8})$`)

// IsOffice tells whether a name is that of a seat's own device. Nobody is enrolled by such a name.
func IsOffice(id events.DeviceID) bool {
	m := seatName.FindStringSubmatch(string(id))
	return m != nil && m[1] == "office"
}

// IsSeat tells whether a name is that of a seat's own device, or of its gate.
func IsSeat(id events.DeviceID) bool { return seatName.MatchString(string(id)) }

// other is the device or gate of another seat.
type other struct {
	ID  events.DeviceID `json:"id"`
	Key []byte          `json:"key"` // Ed25519, public
}

// otherFile is keys/others.json.
type otherFile struct {
	Version int     `json:"version"`
	Others  []other `json:"others"`
}

func (t *Trust) othersPath() string { return filepath.Join(t.dir, "others.json") }

func (t *Trust) loadOthers() error {
	b, err := os.ReadFile(t.othersPath())
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err == nil {
		t.others, err = readOthers(b)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", t.othersPath(), err)
	}
	return nil
}

func readOthers(b []byte) (map[events.DeviceID]ed25519.PublicKey, error) {
	var f otherFile
	if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
		return nil, err
	}
	all := map[events.DeviceID]ed25519.PublicKey{}
	for _, o := range f.Others {
		if !seatName.MatchString(string(o.ID)) || len(o.Key) != ed25519.PublicKeySize || all[o.ID] != nil {
			return nil, fmt.Errorf("%q with a key of %d bytes is no seat's device or gate, or is there twice", o.ID, len(o.Key))
		}
		all[o.ID] = o.Key
	}
	return all, nil
}

func encodeOthers(all map[events.DeviceID]ed25519.PublicKey) ([]byte, error) {
	f := otherFile{Version: fileVersion, Others: []other{}}
	for id, key := range all {
		f.Others = append(f.Others, other{id, key})
	}
	slices.SortFunc(f.Others, func(a, b other) int { return strings.Compare(string(a.ID), string(b.ID)) })
	b, err := json.MarshalIndent(f, "", "  ")
	return append(b, '\n'), err
}

// LearnSeat takes in the device or the gate of another seat. Its error wraps ErrKnown where the name has another key here.
func (t *Trust) LearnSeat(id events.DeviceID, key ed25519.PublicKey) error {
	if !IsSeat(id) || len(key) != ed25519.PublicKeySize {
		return fmt.Errorf("%q with a key of %d bytes is no seat's", id, len(key))
	}
	t.seats.Lock()
	defer t.seats.Unlock()
	known, ok := t.others[id]
	switch id {
	case t.keys.office.id:
		known, ok = t.keys.office.public(), true
	case t.keys.gate.id:
		known, ok = t.keys.gate.public(), true
	}
	switch {
	case ok && known.Equal(key):
		return nil
	case ok:
		return fmt.Errorf("%w: %s", ErrKnown, id)
	}
	all := map[events.DeviceID]ed25519.PublicKey{id: bytes.Clone(key)}
	maps.Copy(all, t.others)
	b, err := encodeOthers(all)
	if err != nil {
		return err
	}
	if err := t.write(t.othersPath(), b); err != nil {
		return fmt.Errorf("write down %s: %w", id, err)
	}
	t.others = all
	t.cfg.Log.Info("another seat of this centre is known", "name", id)
	return nil
}

// otherSeats are the devices and gates of other seats, as a copy.
func (t *Trust) otherSeats() map[events.DeviceID]ed25519.PublicKey {
	t.seats.RLock()
	defer t.seats.RUnlock()
	all := map[events.DeviceID]ed25519.PublicKey{}
	maps.Copy(all, t.others)
	return all
}

// Learn takes in a device that another seat has enrolled; of d, its name, keys and parent count. Its error wraps ErrKnown
// where the name has other keys here.
func (t *Trust) Learn(d Device) error {
	if err := events.CheckIdentifier(string(d.ID)); err != nil {
		return err
	}
	if err := checkKeys(d.Key, d.Conn); err != nil {
		return err
	}
	t.enrol.Lock()
	defer t.enrol.Unlock()
	t.mu.Lock()
	defer t.mu.Unlock()
	known, ok := t.devices[d.ID]
	switch {
	case ok && (!known.Key.Equal(d.Key) || known.Conn != d.Conn):
		return fmt.Errorf("%w: %s", ErrKnown, d.ID)
	case ok && !known.pending:
		return nil
	}
	token, err := t.deviceToken(d.ID, d.Conn)
	if err != nil {
		return err
	}
	next := &enrolled{Device: Device{ID: d.ID, Key: bytes.Clone(d.Key), Conn: d.Conn, Parent: d.Parent}, token: token}
	if ok {
		*next = *known
		next.pending = false
	}
	if err := t.saveDevice(next); err != nil {
		return fmt.Errorf("write down %s: %w", d.ID, err)
	}
	t.devices[d.ID] = next
	t.cfg.Log.Info("device learned, which another seat has enrolled", "device", d.ID)
	return nil
}

// ConnKey is the public nkey of 32 raw bytes, by which a device connects; RawConnKey is its inverse.
func ConnKey(raw []byte) (string, error) {
	b, err := nkeys.Encode(nkeys.PrefixByteUser, raw)
	return string(b), err
}

// RawConnKey is the inverse of ConnKey.
func RawConnKey(conn string) ([]byte, error) { return nkeys.Decode(nkeys.PrefixByteUser, []byte(conn)) }

// unsyncedEnd is what a gate's name ends with in receipts that it gives for what need not be on a disk.
const unsyncedEnd = "-unsynced"

// gateKeysOf are the keys of a gate, under both of its names.
func gateKeysOf(id events.DeviceID, key ed25519.PublicKey) []wire.GateKey {
	return []wire.GateKey{{Gate: id, Key: key}, {Gate: id + unsyncedEnd, Key: key}}
}

// Seat is a further seat that is being made.
type Seat struct {
	office, gate signer
}

// Office and Gate are the names and public keys of the seat's device and of its gate.
func (s *Seat) Office() (events.DeviceID, ed25519.PublicKey) { return s.office.id, s.office.public() }

// Gate is as Office.
func (s *Seat) Gate() (events.DeviceID, ed25519.PublicKey) { return s.gate.id, s.gate.public() }

// NewSeat makes the keys of a seat, by the next number that is free here.
func (t *Trust) NewSeat() (*Seat, error) {
	number := 0
	names := []events.DeviceID{t.keys.office.id, t.keys.gate.id}
	for id := range t.otherSeats() {
		names = append(names, id)
	}
	for _, id := range names {
		if m := seatName.FindStringSubmatch(string(id)); m != nil {
			n, err := strconv.Atoi(m[2])
			if err != nil {
				return nil, err
			}
			number = max(number, n)
		}
	}
	s := &Seat{}
	for _, of := range []struct {
		to   *signer
		what string
	}{{&s.office, "office"}, {&s.gate, "gate"}} {
		seed := make([]byte, ed25519.SeedSize)
		if _, err := io.ReadFull(t.cfg.Random, seed); err != nil {
			return nil, fmt.Errorf("make a seat's keys: %w", err)
		}
		*of.to = signer{events.DeviceID(fmt.Sprintf("%s-%d", of.what, number+1)), ed25519.NewKeyFromSeed(seed)}
	}
	return s, nil
}

// WriteSeat writes what a seat's folder has of keys: its own, those that all seats have in common, and the devices. People,
// tokens, codes and grants stay where they were made.
func (t *Trust) WriteSeat(dir string, s *Seat) error {
	keysDir := filepath.Join(dir, "keys")
	for _, d := range []string{keysDir, filepath.Join(keysDir, "devices")} {
		if err := disk.MakeDir(d); err != nil {
			return err
		}
	}
	b, err := os.ReadFile(filepath.Join(t.dir, "centre.json"))
	if err != nil {
		return err
	}
	var f keyFile
	if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
		return err
	}
	f.Office = signerFile{s.office.id, s.office.key.Seed(), s.office.public()}
	f.Gate = signerFile{s.gate.id, s.gate.key.Seed(), s.gate.public()}
	if b, err = json.MarshalIndent(f, "", "  "); err != nil {
		return err
	}
	if err := disk.WriteFile(filepath.Join(keysDir, "centre.json"), append(b, '\n')); err != nil {
		return err
	}
	all := t.otherSeats()
	all[t.keys.office.id], all[t.keys.gate.id] = t.keys.office.public(), t.keys.gate.public()
	if b, err = encodeOthers(all); err != nil {
		return err
	}
	if err := disk.WriteFile(filepath.Join(keysDir, "others.json"), b); err != nil {
		return err
	}
	files := []string{"log.json", "authority.pem"}
	t.mu.RLock()
	defer t.mu.RUnlock()
	for id, d := range t.devices {
		if !d.pending {
			files = append(files, filepath.Join("devices", string(id)+fileEnd))
		}
	}
	for _, name := range files {
		b, err := os.ReadFile(filepath.Join(t.dir, name))
		if err != nil {
			return err
		}
		if err := disk.WriteFile(filepath.Join(keysDir, name), b); err != nil {
			return err
		}
	}
	return nil
}
