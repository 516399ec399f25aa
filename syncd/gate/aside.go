package gate

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"time"

	"ullage/events"
	"ullage/events/wire"
)

// What a revoked device still brings does not go into RECORDS: it is verified as any push is, and stored in the same form
// on aside.<device>, every record of it held. There it goes on from where RECORDS ends, and the office may let it in.

const (
	maxAside     = 64 << 20    // bytes that are set aside of one device
	mostHanded   = 64          // devices that hand over at once
	handOverRest = time.Second // for which a device is not heard after it handed over what was not taken
)

// words for the device, and for whoever asks why a record is held.
const (
	wordsAside = "set aside: this device is revoked; the office decides"
	whyAside   = "it came from a revoked device"
)

// asideSize is how much is set aside of a device, up to a message of ASIDE.
type asideSize struct {
	last  uint64
	bytes int
}

// late takes a push of a device that was revoked meanwhile. It gets no receipt.
func (g *Gate) late(ctx context.Context, device events.DeviceID, known Device, data []byte) (wire.Answer, error) {
	q, err := wire.DecodePush(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	no, err := g.setAside(ctx, device, known, q)
	switch {
	case err != nil:
		return wire.Answer{}, err
	case no != nil:
		return *no, nil
	}
	return refused(0, wordsAside), nil
}

// ErrRest is returned for what a device hands over while it is heard already, or too soon after something was not taken.
var ErrRest = errors.New("it hands over too often, or too many do")

// HandOver takes what a revoked device hands over. taken tells that all of its records are at the centre now; else why
// is for operators, and nothing of it was stored. Anybody may ask: so nothing is kept from a device by what is not signed
// by its key. What is, is heard once at a time, and not for a second after something of it was not taken; ErrRest says so.
func (g *Gate) HandOver(ctx context.Context, q *wire.AsideRequest) (taken bool, why string, err error) {
	known, ok := g.cfg.Find(q.Device)
	if !ok || !known.Revoked {
		return false, fmt.Sprintf("%s is no revoked device", q.Device), nil
	}
	end, _, err := g.asideEnd(ctx, q.Device, known)
	if err != nil {
		return false, "", err
	}
	// What was sent before, and ends with a renewal, is signed by the key before.
	if err := q.Verify(end.key); err != nil && q.Verify(end.sealed) != nil {
		return false, err.Error(), nil
	}
	if ok, _ := g.handed.take(q.Device, time.Now()); !ok {
		return false, "", ErrRest
	}
	defer func() {
		if taken {
			g.handed.give(q.Device, time.Now())
		} else {
			time.AfterFunc(handOverRest, func() { g.handed.give(q.Device, time.Now()) })
		}
	}()
	push, err := wire.DecodePush(q.Push)
	if err != nil {
		return false, err.Error(), nil
	}
	no, err := g.setAside(ctx, q.Device, known, push)
	if err != nil || no == nil {
		return err == nil, "", err
	}
	return false, no.Reason, nil
}

// asideEnd is where what the centre has of a revoked device ends: in ASIDE, or in RECORDS where that goes as far; and
// the sequence of the device's last message in ASIDE.
func (g *Gate) asideEnd(ctx context.Context, device events.DeviceID, known Device) (*cursor, uint64, error) {
	end, err := g.reread(ctx, device, known)
	if err != nil {
		return nil, 0, err
	}
	data, place, err := g.cfg.Log.aside.last(ctx, device)
	if err != nil || place.IsZero() {
		return end, 0, err
	}
	commit, records, err := wire.DecodeStored(data)
	if err != nil {
		return nil, 0, fmt.Errorf("message %d in %s cannot be read: %w", place.Seq, wire.Aside.Name, err)
	}
	if commit.Seq > end.seq {
		end = cursorAt(place, commit, records)
	}
	return end, place.Seq, nil
}

// setAside stores a push in ASIDE, but for what the centre has of it already. It returns the refusal, or nil.
func (g *Gate) setAside(ctx context.Context, device events.DeviceID, known Device, q wire.PushRequest) (*wire.Answer, error) {
	end, last, err := g.asideEnd(ctx, device, known)
	if err != nil {
		return nil, err
	}
	records, bad := expand(q)
	if bad != nil {
		return bad, nil
	}
	commit, records, bad := hold(end, device, q, records)
	if bad != nil || commit == nil {
		return bad, nil
	}
	data, bad, err := g.pack(commit, records)
	if bad != nil || err != nil {
		return bad, err
	}
	size, err := g.sizeAside(ctx, device, last)
	if err != nil {
		return nil, err
	}
	if size+len(data) > maxAside {
		no := refused(commit.Range.From, "%d bytes are set aside of %s already; at most %d ever are", size, device, maxAside)
		return &no, nil
	}
	_, err = g.cfg.Log.aside.append(ctx, device, last, data)
	return nil, err
}

// sizeAside is how many bytes are set aside of a device, up to the message last.
func (g *Gate) sizeAside(ctx context.Context, device events.DeviceID, last uint64) (int, error) {
	g.mu.Lock()
	size := g.asides[device]
	g.mu.Unlock()
	for size.last < last {
		seq, data, err := g.cfg.Log.aside.next(ctx, device, size.last+1)
		if err != nil {
			return 0, err
		}
		if seq == 0 || seq > last {
			break
		}
		size = asideSize{seq, size.bytes + len(data)}
	}
	g.mu.Lock()
	g.asides[device] = size
	g.mu.Unlock()
	return size.bytes, nil
}

// hold makes of a push the commit record of what goes on from end, every record of it held, and returns those records.
// What lies before end is left out, once its link there is found to be the same; the commit is nil where nothing is
// left.
func hold(end *cursor, device events.DeviceID, q wire.PushRequest, records [][]byte) (*wire.Commit, [][]byte, *wire.Answer) {
	no := func(at events.Seq, format string, a ...any) (*wire.Commit, [][]byte, *wire.Answer) {
		r := refused(at, format, a...)
		return nil, nil, &r
	}
	last := q.First + events.Seq(len(records)) - 1
	if q.First > end.seq+1 || last < end.seq {
		return no(q.First, "records %d to %d do not go on from record %d, with which those at the centre end", q.First, last, end.seq)
	}
	for q.First <= end.seq {
		q.Link, q.First = events.Link(q.Link, events.HashRecord(records[0])), q.First+1
		records = records[1:]
	}
	if q.Link != end.link {
		return no(end.seq, "the link before record %d is another one at the centre", q.First)
	}
	if len(records) == 0 {
		return nil, nil, nil
	}
	for len(q.Seals) > 0 && q.Seals[0].Seq < q.First {
		q.Seals = q.Seals[1:]
	}
	commit, bad := judge(device, end.key, false, q, records)
	if bad != nil {
		return nil, nil, bad
	}
	holdAll(commit, records, whyAside)
	return commit, records, nil
}

// holdAll holds every record of a commit, for a reason before any of its own.
func holdAll(commit *wire.Commit, records [][]byte, why string) {
	faults := map[events.Seq]string{}
	for _, h := range commit.Held {
		faults[h.Seq] = h.Reason
	}
	commit.Held = nil
	for i, raw := range records {
		h := wire.HeldRecord{Seq: commit.Range.From + events.Seq(i), Hash: events.HashRecord(raw), Reason: why}
		if fault := faults[h.Seq]; fault != "" {
			h.Reason = wire.Reason(why + "; " + fault)
		}
		commit.Held = append(commit.Held, h)
	}
}

// Aside is a push that was set aside.
type Aside struct {
	Range    wire.Range
	Received events.Millis
	Records  []AsideRecord
	Admitted bool // it is in RECORDS
}

// AsideRecord is a record that was set aside.
type AsideRecord struct {
	Target events.Target
	Fault  string // why it would be held had the device not been revoked; empty where it would not
}

// Asides are the pushes of a device that were set aside, in order.
func (g *Gate) Asides(ctx context.Context, device events.DeviceID) ([]Aside, error) {
	known, ok := g.cfg.Find(device)
	if !ok {
		return nil, fmt.Errorf("device %s is not enrolled here", device)
	}
	at, err := g.reread(ctx, device, known)
	if err != nil {
		return nil, err
	}
	var all []Aside
	err = g.eachAside(ctx, device, func(commit *wire.Commit, records [][]byte) error {
		a := Aside{Range: commit.Range, Received: commit.Received, Admitted: !known.Frozen && commit.Seq <= at.seq}
		for i, raw := range records {
			r := AsideRecord{Target: events.Target{Device: device, Seq: commit.Range.From + events.Seq(i), Hash: events.HashRecord(raw)}}
			record, err := events.DecodeRecord(raw)
			if err == nil {
				err = form(&record, false)
			}
			if err != nil {
				r.Fault = err.Error()
			}
			a.Records = append(a.Records, r)
		}
		all = append(all, a)
		return nil
	})
	return all, err
}

func (g *Gate) eachAside(ctx context.Context, device events.DeviceID, visit func(*wire.Commit, [][]byte) error) error {
	for from := uint64(1); ; {
		seq, data, err := g.cfg.Log.aside.next(ctx, device, from)
		if err != nil || seq == 0 {
			return err
		}
		commit, records, err := wire.DecodeStored(data)
		if err != nil {
			return fmt.Errorf("message %d in %s cannot be read: %w", seq, wire.Aside.Name, err)
		}
		if err := visit(commit, records); err != nil {
			return err
		}
		from = seq + 1
	}
}

// Admit brings what was set aside of a device into RECORDS, up to the push that has record to. All of it stays held
// there: which records count is decided by record.admitted. It can be repeated after any error, and goes on where it
// ended. The error wraps ErrForked for a device that has forked.
func (g *Gate) Admit(ctx context.Context, device events.DeviceID, to events.Seq) error {
	known, ok := g.cfg.Find(device)
	if !ok {
		return fmt.Errorf("device %s is not enrolled here", device)
	}
	if known.Frozen {
		return fmt.Errorf("%w: %s", ErrForked, device)
	}
	return g.eachAside(ctx, device, func(set *wire.Commit, records [][]byte) error {
		if set.Range.From > to {
			return nil
		}
		return g.admit(ctx, device, known, set, records)
	})
}

// admit brings one push into RECORDS, or as much of it as is not there.
func (g *Gate) admit(ctx context.Context, device events.DeviceID, known Device, set *wire.Commit, records [][]byte) error {
	end, err := g.reread(ctx, device, known)
	if err != nil || end.seq >= set.Seq {
		return err
	}
	q := wire.PushRequest{First: set.Range.From, Link: end.link, Seals: set.Seals}
	if skip := end.seq + 1 - q.First; end.seq >= q.First {
		// Pushes that came while the device was revoked can be in both streams in part.
		q.First, records = q.First+skip, records[skip:]
	}
	commit, records, bad := hold(end, device, q, records)
	switch {
	case bad != nil:
		return fmt.Errorf("records %d to %d of %s cannot be let in: %s", set.Range.From, set.Range.To, device, bad.Reason)
	case commit.Link != set.Link:
		return fmt.Errorf("records %d to %d of %s do not go on from what %s has of it", set.Range.From, set.Range.To, device, wire.Records.Name)
	}
	data, bad, err := g.pack(commit, records)
	if err != nil {
		return err
	}
	if bad != nil {
		return errors.New(bad.Reason)
	}
	place, err := g.cfg.Log.records.append(ctx, device, end.place.Seq, data)
	if err != nil {
		return err
	}
	g.remember(device, cursorAt(place, commit, records))
	return nil
}

// Stand is what RECORDS has of a device.
type Stand struct {
	Seq      events.Seq        // of its last record
	Received events.Millis     // when that was; 0 where there is none
	Key      ed25519.PublicKey // that seals what comes behind it
}

// Stand asks the stream how far a device has got.
func (g *Gate) Stand(ctx context.Context, device events.DeviceID) (Stand, error) {
	known, ok := g.cfg.Find(device)
	if !ok {
		return Stand{}, fmt.Errorf("device %s is not enrolled here", device)
	}
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return Stand{}, err
	}
	return Stand{c.seq, c.received, c.key}, nil
}
