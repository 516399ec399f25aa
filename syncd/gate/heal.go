package gate

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// Missing is what RECORDS is known to have lost.
type Missing interface {
	// Want lists the ranges that a device is asked to send again.
	Want(events.DeviceID) []wire.Range
	// Healed hears that a range is there again.
	Healed(events.DeviceID, wire.Range)
}

// want is what a device is asked for, as far as it goes on from an older cursor: what lies behind that it sends anyway.
func (g *Gate) want(device events.DeviceID, upto events.Seq) (all []wire.Range) {
	if g.cfg.Missing == nil {
		return nil
	}
	for _, r := range g.cfg.Missing.Want(device) {
		if r.To = min(r.To, upto); r.From <= r.To && len(all) < wire.MaxRanges {
			all = append(all, r)
		}
	}
	return all
}

// wants tells whether a record is asked for.
func (g *Gate) wants(device events.DeviceID, seq events.Seq) bool {
	for _, r := range g.want(device, seq) {
		if r.From <= seq && seq <= r.To {
			return true
		}
	}
	return false
}

// standing is the cursor by what stands last on a device's subject. After healing that can be a message with records from
// before the cursor: then the key that seals next, and what a receipt tells, are those of the message that reaches the cursor.
// Where that one is lost in its turn, the cursor stays all the same. Until it is healed, the key is that of the nearest message
// before, and a receipt repeats for the last message what an earlier one promised.
func (g *Gate) standing(ctx context.Context, device events.DeviceID, place wire.Place, last *wire.Commit, records [][]byte) (*cursor, error) {
	c := cursorAt(place, last, records)
	if last.Range.To == last.Seq {
		return c, nil
	}
	nearest := last.Range.To
	err := g.walk(ctx, device, func(_ uint64, m *wire.Commit, records [][]byte) {
		if m.Range.To < nearest {
			return
		}
		end := cursorAt(place, m, records)
		c.key, nearest = end.key, m.Range.To
		if m.Range.To == last.Seq {
			c.from, c.received, c.sealed = end.from, end.received, end.sealed
		}
	})
	return c, err
}

// walk hands on the messages of a device in RECORDS that can be read, in their order.
func (g *Gate) walk(ctx context.Context, device events.DeviceID, fn func(seq uint64, m *wire.Commit, records [][]byte)) error {
	for from := uint64(1); ; {
		seq, data, err := g.cfg.Log.records.next(ctx, device, from)
		if err != nil || seq == 0 {
			return err
		}
		if m, records, err := wire.DecodeStored(data); err == nil {
			fn(seq, m, records)
		}
		from = seq + 1
	}
}

// keyBefore is the key that seals a record, by the nearest message before it that RECORDS still has.
func (g *Gate) keyBefore(ctx context.Context, device events.DeviceID, known Device, first events.Seq) (ed25519.PublicKey, error) {
	key, at := known.Key, events.Seq(0)
	err := g.walk(ctx, device, func(_ uint64, m *wire.Commit, records [][]byte) {
		if m.Range.To < first && m.Range.To >= at {
			key, at = keyAfter(m, records), m.Range.To
		}
	})
	return key, err
}

// original is the receipt of a push that the centre has had before, where it holds: signed by one of our gates for a range
// that these records lie in, and either the chain at its end is the one here, or the public log has each record. Else the
// records are as good as new, and the receipt says nothing.
func (g *Gate) original(receipt []byte, commit *wire.Commit, records [][]byte) []byte {
	if len(receipt) == 0 {
		return nil
	}
	r, err := wire.DecodeReceipt(receipt)
	if err == nil {
		err = g.covers(r, commit, records)
	}
	if err != nil {
		g.complain("gate: a receipt that comes with records does not hold, they count from now", "device", commit.Device, "first", commit.Range.From, "error", err)
		return nil
	}
	return bytes.Clone(receipt)
}

var errNotProved = errors.New("neither the chain nor the public log proves that it is for these records")

func (g *Gate) covers(r *wire.Receipt, commit *wire.Commit, records [][]byte) error {
	if err := g.given(r, commit); err != nil {
		return err
	}
	if !ends(r, commit) && g.unlogged(commit.Device, commit.Range.From, records) != 0 {
		return errNotProved
	}
	return nil
}

// given tells whether a receipt is by one of our gates, for a range that these records lie in.
func (g *Gate) given(r *wire.Receipt, commit *wire.Commit) error {
	if r.Device != commit.Device || r.First > commit.Range.From || r.Last < commit.Range.To {
		return fmt.Errorf("it is for records %d to %d of %s", r.First, r.Last, r.Device)
	}
	err := fmt.Errorf("it is by gate %s, which is not known here", r.Gate)
	for _, k := range g.cfg.Gates() {
		if k.Gate == r.Gate {
			if err = r.Verify(k.Key); err == nil {
				break
			}
		}
	}
	return err
}

// ends tells whether a receipt is for the chain up to just these records.
func ends(r *wire.Receipt, commit *wire.Commit) bool {
	return r.Last == commit.Range.To && r.Link == commit.Link
}

// replaces refuses records under numbers by which the public log knows others: RECORDS has lost those, and another copy of the
// device must not take their place before they are back.
func (g *Gate) replaces(device events.DeviceID, first events.Seq, records [][]byte) (*wire.Answer, error) {
	if g.cfg.Public == nil {
		return nil, nil
	}
	for i, raw := range records {
		seq := first + events.Seq(i)
		differs, err := g.cfg.Public.Differs(device, seq, events.HashRecord(raw))
		if err != nil {
			return nil, err
		}
		if differs {
			no := refused(seq, "the centre had another record %d of this device, and has lost it; until that is back nothing else is taken in its place", seq)
			return &no, nil
		}
	}
	return nil, nil
}

// unlogged is the first record that the public log does not have; 0 where it has all.
func (g *Gate) unlogged(device events.DeviceID, first events.Seq, records [][]byte) events.Seq {
	for i, raw := range records {
		seq := first + events.Seq(i)
		if g.cfg.Public == nil {
			return seq
		}
		if _, ok := g.cfg.Public.Leaf(device, seq, events.HashRecord(raw)); !ok {
			return seq
		}
	}
	return 0
}

// again stores records from before the cursor, which RECORDS has lost, once it is proved that they are those. The cursor stays.
func (g *Gate) again(ctx context.Context, device events.DeviceID, known Device, q wire.PushRequest) (wire.Answer, error) {
	records, bad := expand(q)
	if bad != nil {
		return *bad, nil
	}
	last := q.First + events.Seq(len(records)) - 1
	if !g.wants(device, last) {
		return refused(last, "record %d is not asked for", last), nil
	}
	key, err := g.keyBefore(ctx, device, known, q.First)
	if err != nil {
		return wire.Answer{}, err
	}
	commit, bad := judge(device, key, known.Office, q, records)
	if bad != nil {
		return *bad, nil
	}
	if bad, err := g.replaces(device, q.First, records); bad != nil || err != nil {
		return orRefused(bad), err
	}
	commit.Original = g.original(q.Original, commit, records)
	if at := g.unlogged(device, q.First, records); at != 0 {
		proved, err := g.fits(ctx, commit)
		if err != nil {
			return wire.Answer{}, err
		}
		if !proved {
			return refused(at, "nothing here proves that record %d is the one that was lost", at), nil
		}
	}
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return wire.Answer{}, err
	}
	if last > c.seq {
		return g.elsewhere(device, c), nil
	}
	commit.Seq, commit.Link = c.seq, c.link
	if err := g.store(ctx, c, commit, records); err != nil {
		return wire.Answer{}, err
	}
	if c, err = g.reread(ctx, device, known); err != nil {
		return wire.Answer{}, err
	}
	return wire.Answer{Status: wire.OK, Body: g.answerAt(device, c)}, nil
}

// fits tells whether records are the ones that were lost, where the public log does not know them because it was lost too. The
// link at their end proves it: it is the one in the original receipt, or in a message whose cursor stands there, or with it the
// chain of the message behind comes to the link which that has.
func (g *Gate) fits(ctx context.Context, commit *wire.Commit) (bool, error) {
	if r, err := wire.DecodeReceipt(commit.Original); err == nil && ends(r, commit) {
		return true, nil
	}
	proved := false
	err := g.walk(ctx, commit.Device, func(_ uint64, m *wire.Commit, records [][]byte) {
		end, link := commit.Range.To, commit.Link
		if m.Seq == m.Range.To && m.Range.From <= end+1 && end < m.Range.To {
			for _, raw := range records[end+1-m.Range.From:] {
				link = events.Link(link, events.HashRecord(raw))
			}
			end = m.Range.To
		}
		proved = proved || m.Seq == end && m.Link == link
	})
	return proved, err
}

// ErrGap is in the error of Restore about a message before which others are missing.
var ErrGap = errors.New("records before it are missing")

// Restore stores a message again that RECORDS has lost and somebody else has kept as it was: the same records, held as they
// were, under the same seals. When it was first received its original receipt tells, which is made where there is none.
// Errors: ErrGap; ErrChain where it does not go on from what RECORDS has; those of stream.Append, after which it may be stored.
func (g *Gate) Restore(ctx context.Context, known Device, place wire.Place, was *wire.Commit, records [][]byte) error {
	if len(was.Parted) > 0 {
		return g.restoreBranch(ctx, known, place, was, records)
	}
	device := was.Device
	if bad, err := g.replaces(device, was.Range.From, records); err != nil {
		return err
	} else if bad != nil {
		return fmt.Errorf("record %d of %s: %w", bad.At, device, ErrChain)
	}
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return err
	}
	commit := *was
	if was.Range.To > c.seq {
		if was.Range.From != c.seq+1 {
			return fmt.Errorf("records %d to %d of %s: %w; there are %d", was.Range.From, was.Range.To, device, ErrGap, c.seq)
		}
		commit.Seq, commit.Link = was.Range.To, c.link
		for _, raw := range records {
			commit.Link = events.Link(commit.Link, events.HashRecord(raw))
		}
		if was.Seq == was.Range.To && commit.Link != was.Link {
			return fmt.Errorf("records %d to %d of %s: %w", was.Range.From, was.Range.To, device, ErrChain)
		}
	} else {
		commit.Seq, commit.Link = c.seq, c.link
	}
	commit.Original = g.firstReceipt(was, place)
	return g.store(ctx, c, &commit, records)
}

// firstReceipt is the original receipt of a message that stood at a place.
func (g *Gate) firstReceipt(was *wire.Commit, place wire.Place) []byte {
	if len(was.Original) > 0 {
		return was.Original
	}
	r := wire.Receipt{Device: was.Device, First: was.Range.From, Last: was.Seq, Link: was.Link, Received: was.Received, Place: place, Checkpoint: g.newest()}
	r.Sign(g.cfg.Name, g.cfg.Key)
	return r.Encode()
}

// ErrChain is in the error of Restore about a message that does not fit what is there.
var ErrChain = errors.New("the chain is another one")

// store appends a message for a lost range behind what stands at c, and remembers nothing of it: what stands then is read again.
func (g *Gate) store(ctx context.Context, c *cursor, commit *wire.Commit, records [][]byte) error {
	data, bad, err := g.pack(commit, records)
	if err != nil {
		return err
	}
	if bad != nil {
		return fmt.Errorf("%w: %s", stream.ErrUnavailable, bad.Reason)
	}
	if _, err := g.cfg.Log.records.append(ctx, commit.Device, c.place.Seq, data); err != nil {
		return err
	}
	g.mu.Lock()
	delete(g.cursors, commit.Device)
	g.mu.Unlock()
	g.healed(commit)
	return nil
}

// healed tells that records are there again.
func (g *Gate) healed(commit *wire.Commit) {
	if g.cfg.Missing != nil {
		g.cfg.Missing.Healed(commit.Device, commit.Range)
	}
}
