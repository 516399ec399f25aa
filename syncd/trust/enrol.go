package trust

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"unicode"
	"unicode/utf8"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// ErrCode is in the errors of Redeem about a code that is not known, has run out or was used.
var ErrCode = errors.New("the code does not hold")

// ErrHook is in the error of Redeem where OnEnrolled refused.
var ErrHook = errors.New("the enrolment was not written down")

// Redeem enrols the device that brings the secret of a code and its public keys. The answer's NATS is left to whoever
// knows it. The same secret with the same keys gets the same answer until the code runs out, with other keys none.
//
// Its errors wrap ErrCode, ErrPublicKeys or ErrHook, or are a *WaitError; any other is the centre's own trouble.
func (t *Trust) Redeem(req wire.EnrolRequest) (wire.EnrolAnswer, error) {
	t.enrol.Lock()
	defer t.enrol.Unlock()
	now := t.cfg.Now()
	if wait := t.tries.wait(now); wait > 0 {
		return wire.EnrolAnswer{}, &WaitError{wait}
	}
	c, ok := t.findCode(req.Secret)
	if !ok {
		t.tries.add(now)
		return wire.EnrolAnswer{}, fmt.Errorf("%w: this centre knows no such code", ErrCode)
	}
	if !now.Before(c.expires) {
		return wire.EnrolAnswer{}, fmt.Errorf("%w: it ran out at %s; ask for a new one", ErrCode, events.MillisOf(c.expires).Format(0))
	}
	if err := t.checkRequest(c.name, req); err != nil {
		return wire.EnrolAnswer{}, err
	}
	d, err := t.bind(c, req)
	if err != nil {
		return wire.EnrolAnswer{}, err
	}
	if d.pending {
		if d, err = t.admit(d); err != nil {
			return wire.EnrolAnswer{}, err
		}
	}
	return t.answerTo(d), nil
}

// answerTo is what a device that is enrolled is given.
func (t *Trust) answerTo(d *enrolled) wire.EnrolAnswer {
	answer := wire.EnrolAnswer{Device: d.ID, JWT: d.token, Log: t.log.Public()}
	for _, g := range t.GateKeys() {
		answer.Gates = append(answer.Gates, wire.EnrolGate{Gate: g.Gate, Key: g.Key})
	}
	return answer
}

// checkRequest looks at the form of what a device brings, and that no other has its keys: a key that two devices
// share would let one speak for the other, and revoking one would cut both.
func (t *Trust) checkRequest(name events.DeviceID, req wire.EnrolRequest) error {
	if err := checkKeys(req.SealKey, req.ConnKey); err != nil {
		return err
	}
	if !printable(req.Software) || len(req.Software) > events.MaxIdentifier {
		return fmt.Errorf("%w: the software's version is no text of at most %d bytes", ErrPublicKeys, events.MaxIdentifier)
	}
	taken := bytes.Equal(req.SealKey, t.keys.office.public()) || bytes.Equal(req.SealKey, t.keys.gate.public())
	for _, key := range t.otherSeats() {
		taken = taken || bytes.Equal(req.SealKey, key)
	}
	t.mu.RLock()
	defer t.mu.RUnlock()
	for _, d := range t.devices {
		taken = taken || d.ID != name && (bytes.Equal(d.Key, req.SealKey) || d.Conn == req.ConnKey)
	}
	if taken {
		return fmt.Errorf("%w: another device has one of them", ErrPublicKeys)
	}
	return nil
}

func printable(s string) bool {
	for _, r := range s {
		if !unicode.IsPrint(r) {
			return false
		}
	}
	return utf8.ValidString(s)
}

// bind finds the device that the code was used for, whose keys must be those of the request, or makes one.
func (t *Trust) bind(c code, req wire.EnrolRequest) (*enrolled, error) {
	t.mu.RLock()
	d, ok := t.devices[c.name]
	t.mu.RUnlock()
	if ok {
		if d.code != c.secret || !bytes.Equal(d.Key, req.SealKey) || d.Conn != req.ConnKey {
			return nil, fmt.Errorf("%w: it was used, by a device with other keys; ask for a new one", ErrCode)
		}
		if d.Revoked {
			return nil, fmt.Errorf("%w: the device was revoked", ErrCode)
		}
		return d, nil
	}
	token, err := t.deviceToken(c.name, req.ConnKey)
	if err != nil {
		return nil, err
	}
	return &enrolled{
		Device:   Device{ID: c.name, Key: append(ed25519.PublicKey(nil), req.SealKey...), Conn: req.ConnKey},
		software: req.Software, token: token, code: c.secret, pin: t.Pin(), pending: true,
	}, nil
}

// admit makes a pending device one of ours: it is written down as pending, the hook hears of it, and it is written
// down as enrolled. Whoever comes with other keys after the first step is refused.
func (t *Trust) admit(d *enrolled) (*enrolled, error) {
	if t.cfg.OnEnrolled != nil {
		if err := t.tell(d); err != nil {
			return nil, err
		}
	}
	next := *d
	next.pending = false
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.saveDevice(&next); err != nil {
		return nil, fmt.Errorf("enrol %s: %w", d.ID, err)
	}
	t.devices[d.ID] = &next
	t.cfg.Log.Info("device enrolled", "device", d.ID, "software", d.software)
	return &next, nil
}

func (t *Trust) tell(d *enrolled) error {
	t.mu.Lock()
	_, before := t.devices[d.ID] // from a try that was cut short
	err := t.saveDevice(d)
	if err == nil {
		t.devices[d.ID] = d
	}
	t.mu.Unlock()
	if err != nil {
		return fmt.Errorf("enrol %s: %w", d.ID, err)
	}
	hook := t.cfg.OnEnrolled(d.Device)
	if hook == nil {
		return nil
	}
	hook = fmt.Errorf("%w: %w", ErrHook, hook)
	if before { // the hook may have written it down the first time, so that the name stays bound to these keys
		return hook
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := disk.Remove(t.devicePath(d.ID)); err != nil {
		return errors.Join(hook, err)
	}
	delete(t.devices, d.ID)
	return hook
}
