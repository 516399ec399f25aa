package syncd

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/syncd/alarm"
	"ullage/syncd/gate"
	"ullage/syncd/office"
	"ullage/syncd/store"
	"ullage/syncd/trust"
	"ullage/syncd/trust/access"
)

// findTime is how long a device is looked for that is not known here.
const findTime = 5 * time.Second

// find finds a device. Where others let devices in too, it is asked what they have written before one is turned away.
func (c *Centre) find(id events.DeviceID) (gate.Device, bool) {
	d, ok := c.trust.Device(id)
	if !ok && c.cluster != nil {
		ctx, cancel := context.WithTimeout(context.Background(), findTime)
		defer cancel()
		if err := c.upToDate(ctx); err != nil {
			c.cfg.Log.Warn("whether another seat has let a device in could not be found out", "device", id, "error", err)
		}
		d, ok = c.trust.Device(id)
	}
	return gate.Device{Key: d.Key, Office: d.Office, Revoked: d.Revoked, Frozen: d.Frozen}, ok
}

// accessChanged raises an alarm, for nobody but somebody with the centre's files in their hands can have done it.
func (c *Centre) accessChanged(b access.Break) {
	err := c.alarms.Raise(alarm.Alarm{
		Kind: alarm.AccessChanged, About: fmt.Sprintf("line %d", b.Line),
		What: fmt.Sprintf("the access journal is not as it was written, at line %d: %s", b.Line, b.Why),
		Do:   "Find out who can write the centre's files; compare with a backup, and with a hash of a last line that was noted elsewhere. ullage access shows the journal.",
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
}

func (c *Centre) openGate(ctx context.Context) (err error) {
	if c.devices, err = c.broker.Connect(trust.GateDevices); err != nil {
		return err
	}
	centre, err := c.broker.Connect(trust.GateCentre)
	if err != nil {
		return err
	}
	log, err := gate.OpenLog(ctx, centre)
	if err != nil {
		return err
	}
	name, key := c.trust.Gate()
	c.gate = gate.New(gate.Config{
		Name: name, Key: key, Gates: c.trust.GateKeys, Devices: c.devices, Log: log, Find: c.find, Reader: c.store,
		Now: now, Random: rand.Reader, Messages: c.cfg.Log,
		Public: c.log, Current: c.logCurrent, Conflict: c.conflicting, Rest: c.rest, Missing: c.healer, Forked: c.forked,
	})
	return nil
}

func (c *Centre) openOffice() error {
	id, key := c.trust.Office()
	d, ok := c.trust.Device(id)
	if !ok {
		return fmt.Errorf("the office's device %s is not known: %w", id, trust.ErrDevice)
	}
	var err error
	if c.desk, err = c.cfg.OpenDesk(c.path("office"), d); err != nil {
		return err
	}
	c.erasures = office.NewErasures(office.ErasuresConfig{
		Store: c.store, Source: c.source, Evidence: c.desk.Evidence(), Log: c.cfg.Log,
		Push: func(ctx context.Context) error { return c.recorder.Push(ctx) },
	})
	seal := func(seq events.Seq, link events.Hash) events.Seal { return events.SignSeal(key, id, seq, link, "") }
	c.recorder = office.NewRecorder(office.RecorderConfig{
		Journal: c.desk, Seal: seal, Log: c.cfg.Log, Kept: c.kept,
		Writer: &entry.Writer{
			Device: id, Office: true, Now: now, Journal: c.desk, Evidence: c.desk.Evidence(), Seal: seal,
			Lookup: lookup{c.desk, c.store, func(ctx context.Context) error { return office.Fresh(ctx, c.source, c.store) }},
			Zone: func(at events.Millis) int {
				_, offset := at.Time().Local().Zone()
				return offset / 60
			},
			Random: func(p []byte) error { _, err := io.ReadFull(rand.Reader, p); return err },
			Judge:  c.judgeOffice, Begin: c.erasures.Begin,
		},
		Commit: func(ctx context.Context, q wire.PushRequest) (wire.Answer, error) {
			known, _ := c.find(id)
			return c.gate.Commit(ctx, id, known, q)
		},
	})
	return nil
}

// lookup finds records in the office's journal first, and then among those of all devices. What a device has sent just
// now can be meant: so the read model is waited for before it is asked.
type lookup struct {
	Desk
	store *store.Store
	fresh func(context.Context) error
}

func (l lookup) ByID(id events.RecordID) ([]byte, bool, error) {
	raw, ok, err := l.Desk.ByID(id)
	if ok || err != nil {
		return raw, ok, err
	}
	if err := l.fresh(context.Background()); err != nil {
		return nil, false, err
	}
	return l.store.ByID(context.Background(), id)
}

func (l lookup) Corrections(of events.Target) ([][]byte, error) {
	own, err := l.Desk.Corrections(of)
	if err != nil {
		return nil, err
	}
	if err := l.fresh(context.Background()); err != nil {
		return nil, err
	}
	others, err := l.store.Corrections(context.Background(), of)
	return append(own, others...), err
}

// fieldDevices are those that have to confirm an erasure.
func (c *Centre) fieldDevices() (ids []events.DeviceID) {
	for _, d := range c.trust.Devices() {
		if !d.Office && !d.Revoked {
			ids = append(ids, d.ID)
		}
	}
	return ids
}

// sealingKey is the one sealing key among keys.
func sealingKey(keys []events.DeviceKey) (key ed25519.PublicKey, ok bool) {
	for _, k := range keys {
		if k.Use == "sealing" {
			key, ok = k.Key, key == nil
		}
	}
	return key, ok
}

// enrolledKey is the key of the record by which a device is enrolled.
func enrolledKey(d trust.Device) string {
	both := sha256.Sum256(append([]byte(d.ID+"\x00"), d.Key...))
	return "enrolled-" + hex.EncodeToString(both[:16])
}

// enrolled writes a new device down, before it is let in. A try that was cut short is made again with the same keys,
// and is the same record: its key is made of both names.
func (c *Centre) enrolled(d trust.Device) error {
	line, err := json.Marshal(enrolledLine(d))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if _, err = c.recorder.Record(ctx, bytes.NewReader(line)); err != nil || c.cluster == nil {
		return err
	}
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return err
	}
	err = c.mine(ctx, d)
	if errors.Is(err, ErrTaken) { // whose it is was passed over, while this one had the name here
		c.learned.again.Store(true)
	}
	return err
}

// enrolledLine is the entry line that says so.
func enrolledLine(d trust.Device) map[string]any {
	keys := []map[string]any{{"use": "sealing", "key": []byte(d.Key)}}
	if raw, err := trust.RawConnKey(d.Conn); err == nil { // a seat's own device has none
		keys = append(keys, map[string]any{"use": "connection", "key": raw})
	}
	body := map[string]any{"device": d.ID, "keys": keys}
	if d.Parent != "" {
		body["parent"] = d.Parent
	}
	return map[string]any{"kind": "device.enrolled", "key": enrolledKey(d), "body": body}
}
