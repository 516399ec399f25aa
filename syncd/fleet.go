package syncd

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/syncd/office"
	"ullage/syncd/trust"
)

// The office's decisions about devices, and the records by which it writes them down. Each has a key that is made of
// what it decides about, so that a decision which was cut short is found, and not written twice.

func keyOf(what string, parts ...any) string {
	h := sha256.Sum256([]byte(fmt.Sprintf("%q", parts)))
	return what + "-" + hex.EncodeToString(h[:16])
}

func revokedKey(id events.DeviceID) string { return keyOf("revoked", id) }

func admittedKey(t events.Target) string { return keyOf("admitted", entry.FormatTarget(t)) }

func (c *Centre) fleet() office.Fleet {
	return office.Fleet{Devices: c.fleetDevices, Revoke: c.revoke, Aside: c.fleetAside, Admit: c.admitAside, AdmitOne: c.admitOne, Heirs: c.heirs, LetIn: c.letIn, Forks: c.forks, Settle: c.settle, Unsettle: c.unsettle}
}

// decide writes the office's records of a decision.
func (c *Centre) decide(ctx context.Context, lines ...map[string]any) error {
	var b bytes.Buffer
	out := json.NewEncoder(&b)
	for _, line := range lines {
		if err := out.Encode(line); err != nil {
			return err
		}
	}
	_, err := c.recorder.Record(ctx, &b)
	return err
}

// written finds one of the office's records by its key.
func (c *Centre) written(key string) (*events.Record, error) {
	raw, ok, err := c.desk.ByKey(key)
	if err != nil || !ok {
		return nil, err
	}
	r, err := events.DecodeRecord(raw)
	return &r, err
}

// revoke writes down that a device is revoked, and cuts it off. It is cut off even where it cannot be written down; that
// is an error then, and the same call makes it good. What was written down and not done when the centre ended is done at
// its next start (cutRevoked).
func (c *Centre) revoke(ctx context.Context, id events.DeviceID, d office.Decision) error {
	known, ok := c.trust.Device(id)
	switch {
	case !ok:
		return fmt.Errorf("%w: %q", trust.ErrDevice, id)
	case known.Office:
		return fmt.Errorf("%w: %s cannot be revoked", office.ErrOwn, id)
	}
	var err error
	if c.revocation(id) == nil {
		body := map[string]any{"device": id, "why": d.Why}
		err = c.decide(ctx, map[string]any{"kind": "device.revoked", "key": revokedKey(id), "by": d.By, "body": body})
		if err != nil {
			err = fmt.Errorf("%s is cut off; that it is revoked: %w", id, err)
		}
	}
	return errors.Join(c.cut(id), err)
}

// cut ends a device's credential, and its connections.
func (c *Centre) cut(id events.DeviceID) error {
	claims, err := c.trust.Revoke(id)
	if claims != nil {
		err = errors.Join(err, c.broker.UpdateDevicesAccount(claims))
	}
	return err
}

// restTime is how long a device is kept out that floods the gate.
const restTime = time.Minute

// rest keeps a device out for a while that floods the gate.
func (c *Centre) rest(id events.DeviceID) {
	d, ok := c.trust.Device(id)
	if !ok || d.Office {
		return
	}
	if err := c.broker.Rest(d.Conn, restTime); err != nil {
		c.cfg.Log.Error("a device that floods the gate could not be cut", "device", id, "error", err)
	}
}

// revocations are the office's own records that revoke devices, the first for each.
type revocations struct {
	mu  sync.Mutex // guards all
	all map[events.DeviceID]*events.Record
}

func (c *Centre) revocation(id events.DeviceID) *events.Record {
	c.revoked.mu.Lock()
	defer c.revoked.mu.Unlock()
	return c.revoked.all[id]
}

// kept does what the office's records from the first of a call on ask for: a device that one of them revokes is cut off,
// whoever wrote it and however.
func (c *Centre) kept(answers []entry.Answer) error {
	for _, a := range answers {
		if !a.Again {
			return c.cutRevoked(a.Seq)
		}
	}
	return nil
}

// cutRevoked cuts off the devices that the office's records from a number on revoke, and that are not cut off yet.
func (c *Centre) cutRevoked(from events.Seq) error {
	return c.desk.Scan(from, func(_ events.Seq, raw []byte) error {
		r, err := events.DecodeRecord(raw)
		if err != nil || r.Kind != "device.revoked" {
			return err
		}
		body, err := events.DecodeBody(r.Kind, r.V, r.Body)
		if err != nil {
			return err
		}
		id := body.(*events.DeviceRevoked).Device
		c.revoked.mu.Lock()
		if c.revoked.all == nil {
			c.revoked.all = map[events.DeviceID]*events.Record{}
		}
		if c.revoked.all[id] == nil {
			r.Body = bytes.Clone(r.Body)
			c.revoked.all[id] = &r
		}
		c.revoked.mu.Unlock()
		d, ok := c.trust.Device(id)
		if !ok || d.Revoked || d.Office {
			return nil
		}
		if err := c.cut(id); err != nil {
			return fmt.Errorf("cut %s off: %w", id, err)
		}
		return nil
	})
}

func (c *Centre) fleetDevices(ctx context.Context) ([]office.FleetDevice, error) {
	list := []office.FleetDevice{}
	for _, d := range c.trust.Devices() {
		at, err := c.gate.Stand(ctx, d.ID)
		if err != nil {
			return nil, err
		}
		key := sha256.Sum256(at.Key)
		row := office.FleetDevice{Device: d.ID, Office: d.Office, Key: hex.EncodeToString(key[:]), Records: at.Seq, Forked: d.Frozen}
		if at.Seq > 0 {
			row.Received = moment(at.Received)
		}
		if r, err := c.written(enrolledKey(d)); err != nil {
			return nil, err
		} else if r != nil {
			row.Enrolled = moment(r.Clock.At())
		}
		if r := c.revocation(d.ID); r != nil {
			row.Revoked = moment(r.Clock.At())
			if row.Why, err = c.whyOf(r); err != nil {
				return nil, err
			}
		}
		list = append(list, row)
	}
	return list, nil
}

func moment(at events.Millis) *string {
	s := at.Format(0)
	return &s
}

// whyOf is the reason in a device.revoked.
func (c *Centre) whyOf(r *events.Record) (string, error) {
	body, err := events.DecodeBody(r.Kind, r.V, r.Body)
	if err != nil {
		return "", err
	}
	b, ok := body.(*events.DeviceRevoked)
	if !ok {
		return "", nil
	}
	if b.Why.Digest.IsZero() {
		return b.Why.Plain, nil
	}
	text, _, err := c.desk.Evidence().Text(b.Why.Digest)
	return string(text), err
}

func (c *Centre) fleetAside(ctx context.Context) ([]office.AsidePush, error) {
	list := []office.AsidePush{}
	for _, d := range c.trust.Devices() {
		if !d.Revoked {
			continue
		}
		all, err := c.gate.Asides(ctx, d.ID)
		if err != nil {
			return nil, err
		}
		why := "the device is revoked"
		if r := c.revocation(d.ID); r != nil {
			text, err := c.whyOf(r)
			if err != nil {
				return nil, err
			}
			why += ": " + text
		}
		for _, a := range all {
			list = append(list, office.AsidePush{Device: d.ID, From: a.Range.From, To: a.Range.To, Received: *moment(a.Received), Why: why, Admitted: a.Admitted})
		}
	}
	return list, nil
}

// admitAside brings into RECORDS what was set aside, and then lets in its records, but for those that are held for
// another reason too: of a device that was stolen, not everything is its owner's.
func (c *Centre) admitAside(ctx context.Context, id events.DeviceID, to events.Seq, d office.Decision) (office.Admitted, error) {
	known, ok := c.trust.Device(id)
	switch {
	case !ok:
		return office.Admitted{}, fmt.Errorf("%w: %q", trust.ErrDevice, id)
	case known.Frozen:
		return office.Admitted{}, fmt.Errorf("%s: %w", id, office.ErrForked)
	}
	all, err := c.gate.Asides(ctx, id)
	if err != nil {
		return office.Admitted{}, err
	}
	if len(all) == 0 {
		return office.Admitted{}, fmt.Errorf("%w: nothing of %s is set aside", office.ErrNoneHeld, id)
	}
	if to == 0 {
		to = all[len(all)-1].Range.To
	}
	if err := c.gate.Admit(ctx, id, to); err != nil {
		return office.Admitted{}, err
	}
	var a office.Admitted
	var targets []events.Target
	for _, push := range all {
		for _, r := range push.Records {
			switch {
			case r.Target.Seq > to:
			case r.Fault != "":
				a.Held = append(a.Held, office.HeldRecord{Device: id, Seq: r.Target.Seq, Why: r.Fault})
			default:
				targets = append(targets, r.Target)
			}
		}
	}
	return a, c.admit(ctx, targets, d, &a)
}

// admitOne lets in a record that is held.
func (c *Centre) admitOne(ctx context.Context, id events.DeviceID, seq events.Seq, d office.Decision) (office.Admitted, error) {
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return office.Admitted{}, err
	}
	all, err := c.store.Numbered(ctx, id, seq)
	if err != nil {
		return office.Admitted{}, err
	}
	var targets []events.Target
	for _, r := range all {
		if r.Held != "" {
			targets = append(targets, events.Target{Device: id, Seq: seq, Hash: r.Hash})
		}
	}
	if len(targets) == 0 {
		return office.Admitted{}, fmt.Errorf("%w: %s/%d", office.ErrNoneHeld, id, seq)
	}
	var a office.Admitted
	return a, c.admit(ctx, targets, d, &a)
}

// admit writes a record.admitted for each target that has none.
func (c *Centre) admit(ctx context.Context, targets []events.Target, d office.Decision, a *office.Admitted) error {
	var lines []map[string]any
	write := func() error {
		if len(lines) == 0 {
			return nil
		}
		err := c.decide(ctx, lines...)
		if err == nil {
			a.Admitted += len(lines)
		}
		lines = nil
		return err
	}
	for _, t := range targets {
		key := admittedKey(t)
		before, err := c.written(key)
		if err != nil {
			return err
		}
		if before != nil {
			a.Before++
			continue
		}
		lines = append(lines, map[string]any{"kind": events.KindAdmitted, "key": key, "by": d.By, "body": map[string]any{"target": entry.FormatTarget(t), "why": d.Why}})
		if len(lines) == wire.MaxRecords {
			if err := write(); err != nil {
				return err
			}
		}
	}
	return write()
}

// judgeOffice refuses what would not do what it says, and what a hold forbids.
func (c *Centre) judgeOffice(r *events.Record, body events.Body) ([]string, error) {
	want, path := "", "kind"
	switch b := body.(type) {
	case *events.DeviceEnrolled:
		if key, ok := sealingKey(b.Keys); !ok || r.Key != enrolledKey(trust.Device{ID: b.Device, Key: key}) {
			want = "it would let nobody in; run: ullage enrol NAME"
		}
	case *events.EpochStarted:
		if r.Key != epochKey(b.OldOrigin, b.OldSize, b.OldRoot, b.CommonSize) {
			want = "the centre writes this itself, where its public log has begun anew"
		}
	case *events.RecordAmended:
		if err := c.mayCorrect(b.Target); err != nil {
			return nil, err
		}
	case *events.RecordWithdrawn:
		if err := c.mayCorrect(b.Target); err != nil {
			return nil, err
		}
	case *events.BranchSettled:
		path = "body.stands"
		fork, side, err := c.branch(context.Background(), b.Device, func(f projections.Fork, s projections.Side) bool {
			return f.Seq == b.Stands.Seq && s.Link == b.Stands.Link
		})
		if err != nil {
			return nil, err
		}
		if fork == nil || side == nil {
			want = fmt.Sprintf("device %s has no such branch; see: ullage fork list", b.Device)
		}
	case *events.DeviceRenewed:
		want = "a device renews its own key: ullage-agent renew; that of the office is not renewed in this version"
	case *events.DeviceRevoked:
		path = "body.device"
		if d, ok := c.trust.Device(b.Device); !ok {
			want = fmt.Sprintf("no device %s is enrolled here", b.Device)
		} else if d.Office {
			want = fmt.Sprintf("%s is this centre's own", b.Device)
		}
	}
	if want != "" {
		return nil, &events.FieldError{Path: path, Value: fmt.Sprintf("%q", r.Kind), Want: want}
	}
	return c.erasures.Judge(r, body)
}

// mayCorrect refuses to correct what the office has done by a record, and what a correction would not undo.
func (c *Centre) mayCorrect(t events.Target) error {
	if id, _ := c.trust.Office(); t.Device != id || t.Seq == 0 || t.Seq > c.desk.Head().Seq {
		return nil
	}
	return c.desk.Scan(t.Seq, func(seq events.Seq, raw []byte) error {
		if seq > t.Seq {
			return nil
		}
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		switch r.Kind {
		case "device.enrolled", "device.revoked", "epoch.started":
			return &events.FieldError{Path: "body.target", Value: fmt.Sprintf("%q", r.Kind), Want: "what it did is done for good; a device that was revoked in error is enrolled anew, under another name"}
		}
		return nil
	})
}

// outside is what a device asks without a connection: to be enrolled, and to hand over what it holds once it is revoked.
func (c *Centre) outside() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", c.trust.EnrolHandler(c.broker.ClientURL))
	mux.HandleFunc(wire.AsidePath, c.takeAside)
	return mux
}

// mostHanding is how many may hand over at once: before a request is read, nobody knows who sends it.
const mostHanding = 16

// handTime is how long what is handed over may take to arrive.
const handTime = 15 * time.Second

// takeAside answers at wire.AsidePath. Whoever asks learns nothing but whether it was taken.
func (c *Centre) takeAside(w http.ResponseWriter, r *http.Request) {
	status, why := c.handedOver(w, r)
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if status == http.StatusOK {
		io.WriteString(w, wire.AsideTaken)
		return
	}
	if status == http.StatusInternalServerError || c.untaken.Now() { // anybody can ask, however often
		c.cfg.Log.Warn("what was handed over was not taken", "status", status, "why", why)
	}
	io.WriteString(w, wire.AsideNot)
}

func (c *Centre) handedOver(w http.ResponseWriter, r *http.Request) (status int, why string) {
	if r.Method != http.MethodPost {
		return http.StatusMethodNotAllowed, "it is no POST"
	}
	if r.Header.Get("Content-Type") != wire.AsideType {
		return http.StatusUnsupportedMediaType, "it is not " + wire.AsideType
	}
	select {
	case c.handing <- struct{}{}:
		defer func() { <-c.handing }()
	default:
		return http.StatusServiceUnavailable, "too many hand over at once"
	}
	// A place is not held by who sends slowly.
	if err := http.NewResponseController(w).SetReadDeadline(time.Now().Add(handTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return http.StatusInternalServerError, err.Error()
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, wire.MaxAside))
	if err != nil {
		return http.StatusBadRequest, err.Error()
	}
	q, err := wire.DecodeAside(b)
	if err != nil {
		return http.StatusBadRequest, err.Error()
	}
	switch taken, why, err := c.gate.HandOver(r.Context(), q); {
	case err != nil:
		return http.StatusServiceUnavailable, err.Error()
	case !taken:
		return http.StatusForbidden, why
	}
	return http.StatusOK, ""
}
