package trust

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"sort"

	"ullage/events"
	"ullage/events/wire"
)

// Where a device has forked, each copy goes on under a name of its own, which it asks in for by its parent's key. It is
// nobody until the office has let it in.

// ErrHeir is in the errors of Inherit about a request that no device which has forked can have made.
var ErrHeir = errors.New("no device that has forked asks so")

// mostHeirs of one device wait at once: whoever has its key can make names without end.
const mostHeirs = 16

// Heir is an identity that goes on from one that has forked.
type Heir struct {
	ID     events.DeviceID
	Parent events.DeviceID
	Waits  bool // for the office
}

// Heirs are all of them, by name.
func (t *Trust) Heirs() []Heir {
	t.mu.RLock()
	defer t.mu.RUnlock()
	var list []Heir
	for _, d := range t.devices {
		if d.Parent != "" {
			list = append(list, Heir{d.ID, d.Parent, d.pending})
		}
	}
	sort.Slice(list, func(i, j int) bool { return list[i].ID < list[j].ID })
	return list
}

// Inherit takes down who asks to go on from a device that has forked. waits tells that the office has not let it in; the
// answer is for when it has. Its errors wrap ErrHeir, ErrPublicKeys or, where too many wait, are a *requestError; any
// other is the centre's own trouble.
func (t *Trust) Inherit(req wire.HeirRequest) (answer wire.EnrolAnswer, waits bool, err error) {
	t.enrol.Lock()
	defer t.enrol.Unlock()
	parent, ok := t.Device(req.Parent)
	if !ok || parent.Office || parent.Revoked || !parent.Frozen || req.Verify(parent.Key) != nil {
		return wire.EnrolAnswer{}, false, fmt.Errorf("%w: %q", ErrHeir, req.Parent)
	}
	id := wire.HeirName(req.Parent, req.SealKey)
	if err := t.checkRequest(id, wire.EnrolRequest{SealKey: req.SealKey, ConnKey: req.ConnKey, Software: req.Software}); err != nil {
		return wire.EnrolAnswer{}, false, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	d, ok := t.devices[id]
	switch {
	case ok && (d.Parent != req.Parent || !bytes.Equal(d.Key, req.SealKey) || d.Conn != req.ConnKey || d.Revoked):
		return wire.EnrolAnswer{}, false, fmt.Errorf("%w: %s is somebody else", ErrHeir, id)
	case ok && d.pending:
		return wire.EnrolAnswer{}, true, nil
	case ok:
		return t.answerTo(d), false, nil
	}
	waiting := 0
	for _, other := range t.devices {
		if other.pending && other.Parent == req.Parent {
			waiting++
		}
	}
	if waiting >= mostHeirs {
		return wire.EnrolAnswer{}, false, &requestError{http.StatusTooManyRequests, fmt.Sprintf("%d copies of %s wait for the office already", waiting, req.Parent)}
	}
	token, err := t.deviceToken(id, req.ConnKey)
	if err != nil {
		return wire.EnrolAnswer{}, false, err
	}
	d = &enrolled{
		Device:   Device{ID: id, Key: append(ed25519.PublicKey(nil), req.SealKey...), Conn: req.ConnKey, Parent: req.Parent},
		software: req.Software, token: token, pin: t.Pin(), pending: true,
	}
	if err := t.saveDevice(d); err != nil {
		return wire.EnrolAnswer{}, false, fmt.Errorf("write down that %s asks: %w", id, err)
	}
	t.devices[id] = d
	t.cfg.Log.Warn("a copy of a device that has forked asks to go on under a name of its own; it waits for the office", "device", id, "parent", req.Parent)
	return wire.EnrolAnswer{}, true, nil
}

// LetIn enrols an heir that waits, once told has written it down. Letting in twice is letting in once. Its error wraps
// ErrDevice where nobody waits by that name.
func (t *Trust) LetIn(id events.DeviceID, told func(Device) error) error {
	t.enrol.Lock()
	defer t.enrol.Unlock()
	t.mu.RLock()
	d, ok := t.devices[id]
	t.mu.RUnlock()
	switch {
	case !ok || d.Parent == "":
		return fmt.Errorf("%w waits for the office: %q", ErrDevice, id)
	case !d.pending:
		return nil
	}
	if err := told(d.Device); err != nil {
		return err
	}
	next := *d
	next.pending = false
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.saveDevice(&next); err != nil {
		return fmt.Errorf("let %s in: %w", id, err)
	}
	t.devices[id] = &next
	t.cfg.Log.Info("device enrolled", "device", id, "parent", d.Parent)
	return nil
}

// serveHeir answers at wire.HeirPath.
func (t *Trust) serveHeir(w http.ResponseWriter, r *http.Request) (wire.EnrolAnswer, bool, error) {
	b, err := body(w, r)
	if err != nil {
		return wire.EnrolAnswer{}, false, err
	}
	var req wire.HeirRequest
	in := json.NewDecoder(bytes.NewReader(b))
	in.DisallowUnknownFields()
	if err := in.Decode(&req); err != nil || in.Decode(&struct{}{}) != io.EOF {
		return wire.EnrolAnswer{}, false, &requestError{http.StatusBadRequest, "not the form of a request to go on under a name of its own"}
	}
	return t.Inherit(req)
}
