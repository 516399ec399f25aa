package gate

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// cursor is where a device's chain ends in RECORDS, and what its last message says for a receipt.
type cursor struct {
	seq      events.Seq
	link     events.Hash
	place    wire.Place // of the last message; zero where there is none
	from     events.Seq // the first record of that
	received events.Millis
	nonce    [16]byte
	sealed   ed25519.PublicKey // by which the last message is sealed; nil where there is none
	key      ed25519.PublicKey // by which the next is
}

// cursorAt is the cursor after a message that brings those records.
func cursorAt(place wire.Place, c *wire.Commit, records [][]byte) *cursor {
	return &cursor{c.Seq, c.Link, place, c.Range.From, c.Received, c.Nonce, c.Key, keyAfter(c, records)}
}

// keyAfter is the key that seals what comes after a message. A renewal is the last record of its message, so that each
// message is sealed by one key, and what stands last on a subject tells the next.
func keyAfter(c *wire.Commit, records [][]byte) ed25519.PublicKey {
	r, err := events.DecodeRecord(records[len(records)-1])
	if err != nil { // held
		return c.Key
	}
	if key, ok := events.RenewedKey(&r); ok {
		return key
	}
	return c.Key
}

// cursor returns where the chain of a device ends, from memory if it is there: a guess, since another gate may have
// moved it.
func (g *Gate) cursor(ctx context.Context, device events.DeviceID, known Device) (*cursor, error) {
	g.mu.Lock()
	c := g.cursors[device]
	g.mu.Unlock()
	if c != nil {
		return c, nil
	}
	return g.reread(ctx, device, known)
}

// reread asks the stream.
func (g *Gate) reread(ctx context.Context, device events.DeviceID, known Device) (*cursor, error) {
	data, place, err := g.cfg.Log.records.last(ctx, device)
	if err != nil {
		return nil, err
	}
	c := &cursor{link: events.FirstLink(device, known.Key), key: known.Key}
	if !place.IsZero() {
		commit, records, err := wire.DecodeStored(data)
		if err != nil {
			return nil, fmt.Errorf("message %d in %s cannot be read: %w", place.Seq, wire.Records.Name, err)
		}
		if c, err = g.standing(ctx, device, place, commit, records); err != nil {
			return nil, err
		}
	}
	g.remember(device, c)
	return c, nil
}

func (g *Gate) remember(device events.DeviceID, c *cursor) {
	g.mu.Lock()
	g.cursors[device] = c
	g.mu.Unlock()
}

// answerAt is the body of an answer that tells of a cursor, with the receipt up to it, signed anew.
func (g *Gate) answerAt(device events.DeviceID, c *cursor) []byte {
	a := wire.PushAnswer{Seq: c.seq, Link: c.link}
	if !c.place.IsZero() {
		r := wire.Receipt{Device: device, First: c.from, Last: c.seq, Link: c.link, Received: c.received, Place: c.place, Checkpoint: g.newest()}
		r.Sign(g.cfg.Name, g.cfg.Key)
		a.Receipt = r.Encode()
	}
	return a.Encode()
}

// Commit validates a push of device and stores it. The answer is OK with a receipt; or Elsewhere, Fork or Refused, and
// then nothing is stored. An error means that nothing can be said now: the push may be stored, or not.
func (g *Gate) Commit(ctx context.Context, device events.DeviceID, known Device, q wire.PushRequest) (wire.Answer, error) {
	c, err := g.cursor(ctx, device, known)
	if err != nil {
		return wire.Answer{}, err
	}
	if q.First != c.seq+1 || q.Link != c.link {
		// What memory holds may be old; only the stream may send a device elsewhere, or call it a fork.
		if c, err = g.reread(ctx, device, known); err != nil {
			return wire.Answer{}, err
		}
	}
	switch {
	case q.First <= c.seq && g.wants(device, q.First):
		return g.again(ctx, device, known, q)
	case q.First != c.seq+1:
		return g.elsewhere(device, c), nil
	case q.Link != c.link:
		return wire.Answer{
			Status: wire.Fork, At: c.seq, Body: g.answerAt(device, c),
			Reason: fmt.Sprintf("the link before record %d is another one at the centre", q.First),
		}, nil
	}
	records, bad := expand(q)
	if bad != nil {
		return *bad, nil
	}
	commit, bad := judge(device, c.key, known.Office, q, records)
	if bad != nil {
		return *bad, nil
	}
	if bad, err := g.replaces(device, q.First, records); bad != nil || err != nil {
		return orRefused(bad), err
	}
	commit.Original = g.original(q.Original, commit, records)
	data, bad, err := g.pack(commit, records)
	if err != nil {
		return wire.Answer{}, err
	}
	if bad != nil {
		return *bad, nil
	}
	place, err := g.cfg.Log.records.append(ctx, device, c.place.Seq, data)
	switch {
	case err == nil:
		c = cursorAt(place, commit, records)
		g.remember(device, c)
		g.witness(device, commit)
		if len(commit.Original) > 0 { // it was there before
			g.healed(commit)
		}
		return wire.Answer{Status: wire.OK, Body: g.answerAt(device, c)}, nil
	case errors.Is(err, stream.ErrMoved) || errors.Is(err, stream.ErrUnknown):
		return g.decide(ctx, device, known, commit, err)
	}
	return wire.Answer{}, err
}

// pack makes of a commit that was judged what is stored; or the refusal where that is too large.
func (g *Gate) pack(commit *wire.Commit, records [][]byte) ([]byte, *wire.Answer, error) {
	if _, err := io.ReadFull(g.cfg.Random, commit.Nonce[:]); err != nil {
		return nil, nil, fmt.Errorf("nonce: %w", err)
	}
	commit.Gate, commit.Received = g.cfg.Name, g.cfg.Now()
	data := wire.EncodeStored(commit, records)
	if len(data) > wire.MaxStored {
		no := refused(commit.Range.From, "the push takes %d bytes, at most %d are stored in one piece; push fewer records", len(data), wire.MaxStored)
		return nil, &no, nil
	}
	return data, nil, nil
}

// decide finds out what became of a push that was not plainly stored: the cursor in what stands last says it. Where
// that cannot be read, the error stays, and the device asks again.
func (g *Gate) decide(ctx context.Context, device events.DeviceID, known Device, commit *wire.Commit, cause error) (wire.Answer, error) {
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return wire.Answer{}, errors.Join(cause, err)
	}
	switch {
	case c.nonce == commit.Nonce: // ours
		return wire.Answer{Status: wire.OK, Body: g.answerAt(device, c)}, nil
	case c.seq >= commit.Range.From || errors.Is(cause, stream.ErrMoved):
		return g.elsewhere(device, c), nil
	}
	// Not there yet; it may still come, so this is no "no".
	return wire.Answer{}, cause
}

func (g *Gate) elsewhere(device events.DeviceID, c *cursor) wire.Answer {
	return wire.Answer{Status: wire.Elsewhere, Body: g.answerAt(device, c), Reason: fmt.Sprintf("the centre has this device's records up to %d", c.seq)}
}

// expand returns the records of a push, or the refusal. A record over its limit is found by judge, which can name it.
func expand(q wire.PushRequest) ([][]byte, *wire.Answer) {
	list, err := wire.Expand(q.Data, wire.MaxPlain)
	if err != nil {
		no := refused(q.First, "%v", err)
		return nil, &no
	}
	records, err := wire.Pieces(list, wire.MaxRecords, wire.MaxPlain)
	if err != nil {
		no := refused(q.First, "%v", err)
		return nil, &no
	}
	if len(records) == 0 {
		no := refused(q.First, "the push brings no record")
		return nil, &no
	}
	return records, nil
}

// judge holds the records of a push to the chain, to the key that seals there, and to their form. It returns the commit
// record without gate, time and nonce, or the refusal.
func judge(device events.DeviceID, key ed25519.PublicKey, office bool, q wire.PushRequest, records [][]byte) (*wire.Commit, *wire.Answer) {
	no := func(at events.Seq, format string, a ...any) (*wire.Commit, *wire.Answer) {
		r := refused(at, format, a...)
		return nil, &r
	}
	last := q.First + events.Seq(len(records)) - 1
	commit := &wire.Commit{Device: device, Seq: last, Range: wire.Range{From: q.First, To: last}, Seals: q.Seals, Key: key}
	link, seals := q.Link, q.Seals
	for i, raw := range records {
		seq := q.First + events.Seq(i)
		if len(raw) > events.MaxRecord {
			return no(seq, "record %d has %d bytes, at most %d are allowed", seq, len(raw), events.MaxRecord)
		}
		h := events.HashRecord(raw)
		link = events.Link(link, h)
		r, err := events.DecodeRecord(raw)
		if err == nil {
			if r.Device != device {
				return no(seq, "record %d names the device %s", seq, r.Device)
			}
			if r.Seq != seq {
				return no(seq, "record %d carries the number %d", seq, r.Seq)
			}
			if _, renews := events.RenewedKey(&r); renews && seq != last {
				return no(seq, "record %d renews the device's key, and is not the last of its push", seq)
			}
			err = form(&r, office)
		}
		if err != nil {
			commit.Held = append(commit.Held, wire.HeldRecord{Seq: seq, Hash: h, Reason: wire.Reason(err.Error())})
		}
		if len(seals) > 0 && seals[0].Seq == seq {
			if err := events.VerifySeal(key, device, link, seals[0]); err != nil {
				return no(seq, "seal at record %d: %v", seq, err)
			}
			seals = seals[1:]
		}
	}
	switch {
	case len(seals) > 0:
		return no(seals[0].Seq, "a seal at record %d is out of order, there twice, or outside records %d to %d", seals[0].Seq, q.First, last)
	case len(q.Seals) == 0 || q.Seals[len(q.Seals)-1].Seq != last:
		return no(last, "no seal over record %d, the last of the push", last)
	}
	commit.Link = link
	return commit, nil
}

// form says why a record is held: its body has not the form of its kind, or its device may not write it. A kind or
// version that is not known is no reason.
func form(r *events.Record, office bool) error {
	s, ok := events.SchemaOf(r.Kind, r.V)
	if !ok {
		return nil
	}
	if err := s.CheckForm(r.Body); err != nil {
		return fmt.Errorf("%s: %w", r.Kind, err)
	}
	if _, renews := events.RenewedKey(r); r.Kind == events.KindRenewed && !renews {
		return fmt.Errorf("%s gives one sealing key, of the device that records it", r.Kind)
	}
	if office {
		return nil
	}
	if s.Office {
		return fmt.Errorf("%s is the office's to record", r.Kind)
	}
	target, ok, err := events.CorrectionOf(r)
	if err != nil {
		return err
	}
	if ok && target.Device != r.Device {
		return fmt.Errorf("%s of a record of %s waits for the office", r.Kind, target.Device)
	}
	return nil
}
