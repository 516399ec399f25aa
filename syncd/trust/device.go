package trust

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"sort"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// ErrDevice is in the errors about a device that nobody has enrolled.
var ErrDevice = errors.New("no such device")

// Device is who may write records under a name.
type Device struct {
	ID      events.DeviceID
	Key     ed25519.PublicKey // that its seals hold by
	Conn    string            // public nkey that it connects by; empty for this centre's own device
	Office  bool              // a centre's own device
	Revoked bool              // its pushes go aside
	Frozen  bool              // it has forked: nothing more is taken under its name
	Parent  events.DeviceID   // that has forked, and from which it goes on; empty for most
}

// enrolled is a device, and how far its enrolment is.
type enrolled struct {
	Device
	software string
	token    string      // its credential; useless without the key that the device keeps
	code     events.Hash // of the secret it came by
	pin      events.Hash // by which it knew the centre when it came; zero for one of before there were certificates
	pending  bool        // nobody yet: it was not answered
}

// deviceFile is enrolled on disk.
type deviceFile struct {
	Version  int             `json:"version"`
	ID       events.DeviceID `json:"id"`
	SealKey  []byte          `json:"seal_key"`
	ConnKey  string          `json:"conn_key"`
	Software string          `json:"software"`
	JWT      string          `json:"jwt"`
	Code     string          `json:"code_sha256"`
	State    string          `json:"state"`
	Pin      string          `json:"pin,omitempty"`
	Frozen   bool            `json:"frozen,omitempty"`
	Parent   events.DeviceID `json:"parent,omitempty"`
}

const (
	statePending  = "pending"
	stateEnrolled = "enrolled"
	stateRevoked  = "revoked"
)

// What a device may send at once: a whole frame and its headers; and how many subjects it may listen on.
const (
	DevicePayload = wire.MaxFrame + 64<<10
	DeviceSubs    = 4
)

// deviceToken makes the credential of a device.
func (t *Trust) deviceToken(id events.DeviceID, conn string) (string, error) {
	c := jwt.NewUserClaims(conn)
	c.Name = string(id)
	c.Pub.Allow.Add("up." + string(id) + ".>")
	c.Sub.Allow.Add(wire.InboxPrefix(id) + ".>")
	c.Limits.Subs = DeviceSubs
	c.Limits.Payload = DevicePayload
	c.AllowedConnectionTypes.Add(jwt.ConnectionTypeStandard)
	token, err := c.Encode(t.keys.devices)
	if err != nil {
		return "", fmt.Errorf("credential of %s: %w", id, err)
	}
	return token, nil
}

// Device finds an enrolled device, revoked or not, or one of this centre's own.
func (t *Trust) Device(id events.DeviceID) (Device, bool) {
	if id == t.keys.office.id {
		return t.office(), true
	}
	if IsOffice(id) {
		key, ok := t.otherSeats()[id]
		return Device{ID: id, Key: key, Office: true}, ok
	}
	t.mu.RLock()
	defer t.mu.RUnlock()
	d, ok := t.devices[id]
	if !ok || d.pending {
		return Device{}, false
	}
	return d.Device, true
}

// Devices are all that Device finds, by name.
func (t *Trust) Devices() []Device {
	t.mu.RLock()
	defer t.mu.RUnlock()
	list := []Device{t.office()}
	for id, key := range t.otherSeats() {
		if IsOffice(id) {
			list = append(list, Device{ID: id, Key: key, Office: true})
		}
	}
	for _, d := range t.devices {
		if !d.pending {
			list = append(list, d.Device)
		}
	}
	sort.Slice(list, func(i, j int) bool { return list[i].ID < list[j].ID })
	return list
}

func (t *Trust) office() Device {
	return Device{ID: t.keys.office.id, Key: t.keys.office.public(), Office: true}
}

// Revoke ends a device's credential for good and returns the claims by which the broker cuts its connections
// (broker.UpdateDevicesAccount). Revoking twice is revoking once. Its error wraps ErrDevice where there is no such
// device; this centre's own cannot be revoked. Where the revocation cannot be written down, the claims come with the
// error: it holds, but only until this centre's next start, and must be repeated.
func (t *Trust) Revoke(id events.DeviceID) (*jwt.AccountClaims, error) {
	if id == t.keys.office.id {
		return nil, fmt.Errorf("%s is this centre's own device and cannot be revoked", id)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	d, ok := t.devices[id]
	if !ok || d.pending {
		return nil, fmt.Errorf("%w: %q", ErrDevice, id)
	}
	next := *d
	next.Revoked = true
	unsaved := t.saveDevice(&next) // even if it was revoked: the last write may have failed
	if unsaved != nil {
		unsaved = fmt.Errorf("write down that %s is revoked: %w", id, unsaved)
	}
	t.devices[id] = &next
	claims, err := t.store(t.devicesClaims())
	if !d.Revoked {
		t.cfg.Log.Info("device revoked", "device", id)
	}
	return claims, errors.Join(unsaved, err)
}

// Freeze writes down that a device has forked; it keeps its credential, by which it brings its branch. Its error wraps
// ErrDevice where there is no such device; this centre's own cannot be frozen.
func (t *Trust) Freeze(id events.DeviceID) error {
	if id == t.keys.office.id {
		return fmt.Errorf("%s is this centre's own device and cannot be frozen", id)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	d, ok := t.devices[id]
	if !ok || d.pending {
		return fmt.Errorf("%w: %q", ErrDevice, id)
	}
	if d.Frozen {
		return nil
	}
	next := *d
	next.Frozen = true
	if err := t.saveDevice(&next); err != nil {
		return fmt.Errorf("write down that %s has forked: %w", id, err)
	}
	t.devices[id] = &next
	t.cfg.Log.Warn("device frozen: it has forked", "device", id)
	return nil
}

// saveDevice needs mu held, so that files and memory change in one order.
func (t *Trust) saveDevice(d *enrolled) error {
	state := stateEnrolled
	switch {
	case d.pending:
		state = statePending
	case d.Revoked:
		state = stateRevoked
	}
	f := deviceFile{fileVersion, d.ID, d.Key, d.Conn, d.software, d.token, d.code.String(), state, "", d.Frozen, d.Parent}
	if !d.pin.IsZero() {
		f.Pin = d.pin.String()
	}
	b, err := json.MarshalIndent(f, "", "  ")
	if err != nil {
		return err
	}
	return t.write(t.devicePath(d.ID), append(b, '\n'))
}

func (t *Trust) devicePath(id events.DeviceID) string {
	return filepath.Join(t.devicesDir(), string(id)+fileEnd)
}

const fileEnd = ".json"

func loadDevices(dir string) (map[events.DeviceID]*enrolled, error) {
	devices := map[events.DeviceID]*enrolled{}
	err := disk.Each(dir, fileEnd, func(name string, b []byte) error {
		d, err := readDevice(b)
		if err == nil && string(d.ID) != name {
			err = fmt.Errorf("it is that of %q", d.ID)
		}
		if err == nil {
			devices[d.ID] = d
		}
		return err
	})
	return devices, err
}

func readDevice(b []byte) (*enrolled, error) {
	var f deviceFile
	if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
		return nil, err
	}
	if err := events.CheckIdentifier(string(f.ID)); err != nil {
		return nil, err
	}
	if err := checkKeys(f.SealKey, f.ConnKey); err != nil {
		return nil, err
	}
	hash, err := events.ParseHash(f.Code)
	if err != nil {
		return nil, err
	}
	d := &enrolled{Device: Device{ID: f.ID, Key: f.SealKey, Conn: f.ConnKey, Frozen: f.Frozen, Parent: f.Parent}, software: f.Software, token: f.JWT, code: hash}
	if f.Pin != "" {
		if d.pin, err = events.ParseHash(f.Pin); err != nil {
			return nil, err
		}
	}
	switch f.State {
	case statePending:
		d.pending = true
	case stateEnrolled:
	case stateRevoked:
		d.Revoked = true
	default:
		return nil, fmt.Errorf("state %q is not known here", f.State)
	}
	return d, nil
}

// ErrPublicKeys is in the errors of Redeem about the keys that a device brings.
var ErrPublicKeys = errors.New("the keys of the request")

// checkKeys looks at the form of a device's public keys.
func checkKeys(seal []byte, conn string) error {
	if len(seal) != ed25519.PublicKeySize {
		return fmt.Errorf("%w: a sealing key of %d bytes, not %d", ErrPublicKeys, len(seal), ed25519.PublicKeySize)
	}
	if !nkeys.IsValidPublicUserKey(conn) {
		return fmt.Errorf("%w: the connection key is no public user nkey", ErrPublicKeys)
	}
	raw, err := nkeys.Decode(nkeys.PrefixByteUser, []byte(conn))
	if err != nil {
		return fmt.Errorf("%w: the connection key: %w", ErrPublicKeys, err)
	}
	if bytes.Equal(raw, seal) {
		return fmt.Errorf("%w: sealing and connecting need a key each", ErrPublicKeys)
	}
	return nil
}
