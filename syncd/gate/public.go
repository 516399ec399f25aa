package gate

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// Public is the public log as the gate shows it to devices.
type Public interface {
	// Newest is the newest checkpoint, signed, and up to which size the log has news; nothing while the log is empty.
	Newest() checkpoint.Signed
	// Root is the root of the first size leaves.
	Root(size uint64) (events.Hash, error)
	// Extension proves, for checkpoint.Extends, that the log of now leaves goes on from that of then.
	Extension(then, now uint64) ([]events.Hash, error)
	// Differs tells whether the log has another record under that number, and not this one.
	Differs(device events.DeviceID, seq events.Seq, hash events.Hash) (bool, error)
	// Leaf tells whether a record has a leaf.
	Leaf(device events.DeviceID, seq events.Seq, hash events.Hash) (index uint64, ok bool)
}

// Conflict is a state of the public log that a device has checked and that this log never had. One of the two pasts was
// changed, and what proves it is here: the device's word, and that of the log.
type Conflict struct {
	Device events.DeviceID
	Seen   checkpoint.Checkpoint // what the device has checked
	Ours   string                // the log's newest checkpoint, signed; empty for none
	Why    string
	Seal   string // hexadecimal: the seal by which the device says so, where it does in one
	At     events.Seq
}

// newest is the checkpoint that stands in receipts.
func (g *Gate) newest() string {
	if g.cfg.Public == nil {
		return ""
	}
	return g.cfg.Public.Newest().Note
}

// showLog fills in what the answer to a hello says of the public log: its newest checkpoint, and the proof that it goes
// on from the one that the device has seen.
func (g *Gate) showLog(ctx context.Context, device events.DeviceID, text string, body *wire.HelloAnswer) error {
	if g.cfg.Public == nil {
		return nil
	}
	var seen checkpoint.Checkpoint
	if text != "" {
		var err error
		if seen, err = checkpoint.Parse(text); err != nil {
			g.complain("gate: a hello names no checkpoint that can be read", "device", device, "error", err)
		}
	}
	now := g.cfg.Public.Newest()
	for until := time.Now().Add(g.cfg.Lag); now.Origin == seen.Origin && now.Size < seen.Size && time.Now().Before(until); now = g.cfg.Public.Newest() {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
	if now.Origin == seen.Origin && now.Size < seen.Size && g.cfg.Current != nil {
		if err := g.cfg.Current(ctx); err != nil {
			return fmt.Errorf("the public log here does not keep up, and %s has checked more of it: %w", device, err)
		}
		now = g.cfg.Public.Newest()
	}
	body.Checkpoint, body.News = now.Note, now.News
	if seen.IsZero() {
		return nil
	}
	if err := g.compare(device, seen, now, Conflict{}); err != nil || now.Size <= seen.Size {
		return err
	}
	var err error
	if body.Proof, err = g.cfg.Public.Extension(seen.Size, now.Size); err != nil {
		return fmt.Errorf("prove that the log goes on from %d: %w", seen.Size, err)
	}
	return nil
}

// compare holds what a device has checked to the log, and tells of a conflict. That of an earlier epoch is none: a new
// one is told in the open, and an alarm of its own.
func (g *Gate) compare(device events.DeviceID, seen checkpoint.Checkpoint, now checkpoint.Signed, c Conflict) error {
	c.Device, c.Seen, c.Ours = device, seen, now.Note
	switch {
	case now.IsZero():
		c.Why = fmt.Sprintf("the log is empty here, and the device has checked %d leaves", seen.Size)
	case seen.Origin != now.Origin:
		return nil
	case now.Size < seen.Size:
		c.Why = fmt.Sprintf("the log has %d leaves here, and the device has checked %d", now.Size, seen.Size)
	default:
		root, err := g.cfg.Public.Root(seen.Size)
		if err != nil {
			return fmt.Errorf("root of the log at %d: %w", seen.Size, err)
		}
		if root == seen.Root {
			return nil
		}
		c.Why = fmt.Sprintf("for %d leaves the device has checked another root than the log has here", seen.Size)
	}
	g.cfg.Conflict(c)
	return nil
}

// witness looks at what a push that was committed says of the log: its seals are the device's word for what it has
// checked. That this cannot be done now holds nothing up; the next push says it again.
func (g *Gate) witness(device events.DeviceID, commit *wire.Commit) {
	if g.cfg.Public == nil {
		return
	}
	s := commit.Seals[len(commit.Seals)-1]
	if s.Seen == "" {
		return
	}
	seen, err := checkpoint.Parse(s.Seen)
	if err != nil {
		g.complain("gate: a seal names no checkpoint that can be read", "device", device, "record", s.Seq, "error", err)
		return
	}
	now := g.cfg.Public.Newest()
	if seen.Size > now.Size { // the hello of this conversation has waited for it already
		return
	}
	if err := g.compare(device, seen, now, Conflict{Seal: hex.EncodeToString(wire.AppendSeal(nil, s)), At: s.Seq}); err != nil {
		g.complain("gate: what a seal says of the log could not be looked at", "device", device, "error", err)
	}
}
