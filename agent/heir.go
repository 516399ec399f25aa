package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"ullage/events"
	"ullage/events/wire"
)

// A device that has forked goes on under a name of its own: a whole device in the folder heir within its own, with keys
// and a journal of its own. The old one stays as it is. The new one writes from the moment that its device.json is
// there, with no network; the centre takes nothing of it before the office has let it in.

// ErrMoved is returned by Run where the device has forked, and another identity goes on in its folder: whoever runs it
// opens it again.
var ErrMoved = errors.New("this device has forked, and goes on under another name")

// moveOn makes the identity that goes on, where there is none, and says in the Stop's words which.
func (d *Device) moveOn(stop *Stop) *Stop {
	heir, err := d.makeHeir()
	if err != nil {
		d.cfg.Log.Error("this device has forked, and no identity that goes on could be made", "error", err)
		return stop
	}
	return &Stop{stop.Kind, fmt.Sprintf("%s. This device goes on as %s", stop.Text, heir)}
}

// Moved tells whether another identity goes on from this one since it was opened.
func (d *Device) Moved() bool {
	select {
	case <-d.moved:
		return true
	default:
		return false
	}
}

// makeHeir makes it, or finds it. After an error, or a crash, it is made again, with the keys that are there.
func (d *Device) makeHeir() (events.DeviceID, error) {
	h := d.home.heir()
	id, err := h.read()
	if err == nil {
		return id.Device, nil
	}
	if !errors.Is(err, ErrNotEnrolled) {
		return "", err
	}
	if err := system.MkdirAll(string(h)); err != nil {
		return "", err
	}
	k, release, err := h.makeKeys(d.cfg.Random)
	if err != nil {
		return "", err
	}
	defer release()
	name := wire.HeirName(d.id.Device, k.sealPublic())
	if err := h.writePins(d.pins); err != nil {
		return "", err
	}
	if err := h.writeGates(d.gates); err != nil {
		return "", err
	}
	known := d.guard.get()
	if err := writeJSON(h.log(), guarded{Key: known.Key, Checked: known.Checked}); err != nil {
		return "", err
	}
	if err := h.makeJournal(d.cfg, k, name); err != nil {
		return "", err
	}
	if err := writeJSON(h.device(), identity{identityFormat, name, d.id.NATS, "", k.sealPublic(), d.id.Centre, d.id.Device}); err != nil {
		return "", err
	}
	d.cfg.Log.Warn("this device has forked, and goes on under another name", "device", name)
	close(d.moved)
	return name, nil
}

// beforehand does what comes before a conversation of a device that goes on from one that has forked: what the old one
// still holds is brought, and the office is asked to let the new one in.
func (d *Device) beforehand(ctx context.Context) error {
	for _, h := range d.elders {
		if err := d.elder(ctx, h); err != nil {
			return err
		}
	}
	if d.id.JWT != "" {
		return nil
	}
	return d.askIn(ctx)
}

// elder has a conversation under an earlier identity. That it stops, by the fork or since the office has revoked it, keeps
// nothing of this one waiting.
func (d *Device) elder(ctx context.Context, h home) error {
	e, err := openHome(h, d.cfg)
	if err != nil {
		return fmt.Errorf("what this device was before it forked: %w", err)
	}
	err = e.talkOnce(ctx)
	e.remember(err)
	if stopped(err) {
		err = nil
	}
	return errors.Join(err, e.Close())
}

func (d *Device) talkOnce(ctx context.Context) error {
	t, err := d.dial(ctx)
	if err != nil {
		return err
	}
	defer t.line.Close()
	return d.converse(ctx, t)
}

// askIn asks the office, by the parent's key, to let this device in. Until it has, that is a *Stop.
func (d *Device) askIn(ctx context.Context) error {
	parent, err := readSealKey(d.elders[len(d.elders)-1].sealKey())
	if err != nil {
		return fmt.Errorf("the key of %s: %w", d.id.Parent, err)
	}
	address, err := enrolURL(d.id.Centre)
	if err != nil {
		return err
	}
	address.Path = wire.HeirPath
	public, err := d.keys.connPublic()
	if err != nil {
		return err
	}
	q := wire.HeirRequest{Parent: d.id.Parent, SealKey: d.keys.sealPublic(), ConnKey: public, Software: d.cfg.Software}
	q.Sign(parent)
	body, err := json.Marshal(q)
	if err != nil {
		return err
	}
	status, said, err := d.post(ctx, address, "application/json", body, wire.MaxEnrol)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoCentre, err)
	}
	switch status {
	case http.StatusOK:
		var a wire.EnrolAnswer
		if err := json.Unmarshal(said, &a); err != nil {
			return fmt.Errorf("the answer of %s is not that of a centre: %w", address, err)
		}
		if err := checkAnswer(&a); err != nil {
			return err
		}
		if a.Device != d.id.Device {
			return fmt.Errorf("the centre answers %s, not %s", a.Device, d.id.Device)
		}
		next := d.id
		next.JWT, next.NATS = a.JWT, a.NATS
		if err := writeJSON(d.home.device(), next); err != nil {
			return err
		}
		d.id.JWT, d.id.NATS = a.JWT, a.NATS
		d.loop.progressed()
		return nil
	case http.StatusAccepted:
		return &Stop{StopFork, fmt.Sprintf("this device goes on from %s, of which two copies wrote; all of it is kept here, and %s waits for the office to let it in", d.id.Parent, d.id.Device)}
	}
	var no wire.EnrolRefusal
	if json.Unmarshal(said, &no) != nil || no.Error == "" {
		return fmt.Errorf("%s answers with status %d, which no centre would", address, status)
	}
	return fmt.Errorf("the centre does not let %s in: %s", d.id.Device, no.Error)
}
