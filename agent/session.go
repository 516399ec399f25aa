package agent

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"time"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// session is one conversation with the centre over a connection.
type session struct {
	*Device
	t     *talk
	heard *wire.HelloAnswer // nil until the centre has said how far it has this device
	had   receipts          // of records that are sent again; nil unless some are
	hole  *Stop             // where records are damaged that the centre does not have; nil: none are
	from  events.Seq        // the first of them
}

// converse is one whole conversation: hello, mending, the device's own records, pushes, pulls. Where it shows that there
// are two histories under the device's name, the device's own is brought to the centre, to be set aside there.
func (d *Device) converse(ctx context.Context, t *talk) error {
	s := &session{Device: d, t: t}
	err := s.goOn(ctx)
	if stop, fork := isFork(err); fork && s.heard != nil {
		return s.setOut(ctx, s.heard, stop)
	}
	return err
}

func (s *session) goOn(ctx context.Context) error {
	cursor, want, err := s.hello(ctx)
	if err != nil {
		return err
	}
	received, err := s.received()
	if err != nil {
		return err
	}
	if cursor < received || len(want) > 0 {
		if s.had, err = receiptsOf(s.journal); err != nil {
			return err
		}
	}
	if cursor < received {
		s.cfg.Log.Warn("the centre has lost records that it had received; they are sent again", "from", cursor+1, "to", received)
	}
	for _, r := range want {
		if err := s.again(ctx, r); err != nil {
			return err
		}
	}
	if cursor > received && s.hole == nil {
		if cursor, err = s.claim(ctx, received); err != nil {
			return err
		}
	}
	if s.hole != nil {
		return s.upToHole(ctx, cursor)
	}
	if err := s.push(ctx, cursor); err != nil {
		return err
	}
	return s.pull(ctx)
}

// upToHole sends what lies before damaged records that nobody has, and tells of those.
func (s *session) upToHole(ctx context.Context, cursor events.Seq) error {
	if cursor+1 < s.from {
		if err := s.push(ctx, cursor); !errors.Is(err, journal.ErrGap) {
			return err
		}
	}
	if err := s.pull(ctx); err != nil {
		return err
	}
	return s.hole
}

// sendOn goes on with a conversation that has ended well: new records need no new hello.
func (d *Device) sendOn(ctx context.Context, t *talk) error {
	s := &session{Device: d, t: t}
	received, err := s.received()
	if err != nil {
		return err
	}
	return s.push(ctx, received)
}

// tries is how often a request is sent before its answer is given up for this conversation.
const tries = 3

// ask sends a request until the centre is not busy, and returns its answer. A busy centre that says when to come
// back is progress.
func (s *session) ask(ctx context.Context, verb wire.Verb, patience time.Duration, build func(reply string) []byte) (wire.Answer, error) {
	for {
		a, err := s.t.request(ctx, verb, tries, patience, build)
		if err != nil || a.Status != wire.Busy {
			return a, err
		}
		if err := s.busy(ctx, a); err != nil {
			return a, err
		}
	}
}

// busy waits as long as a busy centre asks for, and a little longer: the centre sees to it that those which were turned
// away together do not come back together, but not all of their lines are as fast.
func (s *session) busy(ctx context.Context, a wire.Answer) error {
	wait := time.Duration(min(a.Wait, wire.Wait(longest))) * time.Millisecond
	wait = max(wait, 20*time.Millisecond)
	wait += s.jitter(wait / 8)
	s.cfg.Log.Debug("the centre is busy", "wait", wait)
	s.loop.progressed()
	s.remember(ErrBusy)
	return s.t.line.Pause(ctx, wait)
}

// unexpected is the error for an answer that this verb does not have.
func unexpected(verb wire.Verb, a wire.Answer) error {
	switch a.Status {
	case wire.Refused:
		reason := a.Reason
		if reason == "" {
			reason = "no reason is given"
		}
		if a.At != 0 {
			return &Stop{StopRefused, fmt.Sprintf("the centre refuses record %d: %s", a.At, reason)}
		}
		return &Stop{StopRefused, "the centre refuses: " + reason}
	case wire.Fork:
		return forked(a)
	}
	return fmt.Errorf("%s: the centre answers %q, which this version does not know", verb, a.Status)
}

// forked is the alarm for two histories under one name.
func forked(a wire.Answer) error {
	more := ""
	if a.Reason != "" {
		more = " (" + a.Reason + ")"
	}
	return &Stop{StopFork, "the centre holds other records under this device's name than this device does" + more +
		": this folder was probably copied or put back from a backup, and two copies of it write. Nothing is overwritten on either side, and nothing more is taken under this name. Tell the office"}
}

// hello says where the device's chain ends, and learns where the centre's copy of it does. It returns the cursor, which
// the device's own chain agrees with, and from which pushes go on, and which ranges before it the centre wants again.
func (s *session) hello(ctx context.Context) (events.Seq, []wire.Range, error) {
	var head events.Head
	var sent time.Time
	var at events.Millis
	var asked string
	received, err := s.received()
	if err != nil {
		return 0, nil, err
	}
	greet := func(key ed25519.PrivateKey) (wire.Answer, error) {
		return s.ask(ctx, wire.Hello, s.cfg.Answer, func(reply string) []byte {
			if head = s.journal.Head(); reply != asked { // of several tries the first: then the answer cannot have come sooner than it is taken for
				asked, sent, at = reply, s.t.line.Now(), s.cfg.millis()
			}
			q := wire.HelloRequest{Seq: head.Seq, Link: head.Link, Clock: head.Clock, Receipted: received, Software: s.cfg.Software, Seen: s.guard.seen()}
			q.Sign(key, s.id.Device, reply)
			return q.Encode()
		})
	}
	// The centre takes the key that seals what comes behind its cursor. That can be another than the device thinks: the
	// receipt of a renewal was lost, or the centre has lost records.
	var a wire.Answer
	for _, key := range s.ring.likely(received + 1) {
		if a, err = greet(key); err != nil {
			return 0, nil, err
		}
		if a.Status != wire.Refused {
			break
		}
	}
	took := s.t.line.Now().Sub(sent)
	switch a.Status {
	case wire.OK, wire.Behind, wire.Fork:
	default:
		return 0, nil, unexpected(wire.Hello, a)
	}
	h, err := wire.DecodeHelloAnswer(a.Body)
	if err != nil {
		return 0, nil, err
	}
	s.heard = h
	if err := s.learn(h.Gates); err != nil {
		return 0, nil, err
	}
	gone := s.erase(h.Erased)
	if a.Status == wire.Fork {
		return 0, nil, forked(a)
	}
	if err := s.mend(ctx, h); err != nil {
		return 0, nil, err
	}
	if h.Seq > head.Seq {
		if err := s.catchUp(ctx, head, h); err != nil {
			return 0, nil, err
		}
	}
	if s.hole == nil || h.Seq < s.from {
		if err := s.agrees(h.Seq, h.Link); err != nil {
			return 0, nil, err
		}
	}
	if err := s.checkLog(h); err != nil {
		return 0, nil, err
	}
	if !s.silent {
		if err := s.confirm(gone); err != nil {
			return 0, nil, err
		}
	}
	// Half of the round trip is the error of this.
	offset := h.Now - at - events.Millis(took.Milliseconds()/2)
	return h.Seq, h.Want, s.clockChecked(int64(offset), took.Milliseconds())
}

// checkLog holds the centre's newest checkpoint to the one that this device has checked before, and writes down that it
// has checked a new one. Where the log has grown by nothing but such words of devices, that is not worth another.
func (s *session) checkLog(h *wire.HelloAnswer) error {
	before := len(s.guard.get().Conflicts)
	if err := s.guard.shown(h, s.cfg.millis()); err != nil {
		return err
	}
	known := s.guard.get()
	if n := len(known.Conflicts); n > before {
		s.cfg.Log.Error("the centre's log does not go together with what this device has checked", "why", known.Conflicts[n-1].Why)
	}
	c, err := known.checked()
	if err != nil || s.silent || c.IsZero() || h.News <= known.Written {
		return err
	}
	line := fmt.Sprintf(`{"kind":"checkpoint.seen","body":{"origin":%q,"size":%d,"root":"%s"}}`, c.Origin, c.Size, c.Root)
	if err := s.recordOwn(line); errors.Is(err, journal.ErrFull) {
		s.cfg.Log.Warn("the disk is full: which checkpoint was checked was not written down", "size", c.Size)
		return nil // what waits can go all the same
	} else if err != nil {
		return fmt.Errorf("write down which checkpoint was checked: %w", err)
	}
	return s.guard.change(func(k *guarded) { k.Written = c.Size })
}

// learn takes up keys of gates.
func (s *session) learn(named []wire.GateKey) error {
	keys, grown, err := s.gates.learn(named)
	if err != nil || !grown {
		return err
	}
	if err := s.home.writeGates(keys); err != nil {
		return err
	}
	s.gates = keys
	return nil
}

// learnPins takes up keys of the centre that one it was known by has signed.
func (d *Device) learnPins(fresh pins) error {
	all := d.pins.with(fresh)
	if err := d.home.writePins(all); err != nil {
		return err
	}
	d.pins = all
	d.cfg.Log.Info("the centre has a new key, signed by the one before; the device knows it now", "pin", fresh[0])
	return nil
}

// agrees compares a cursor of the centre with the device's own chain.
func (s *session) agrees(seq events.Seq, link events.Hash) error {
	own, err := s.journal.LinkAt(seq)
	switch {
	case errors.Is(err, journal.ErrNoRecord):
		// The centre has got further since its hello: somebody else writes under this name.
		return forked(wire.Answer{Reason: fmt.Sprintf("it has %d of them, this device has %d", seq, s.journal.Head().Seq)})
	case err != nil:
		return err
	case own != link:
		return forked(wire.Answer{Reason: fmt.Sprintf("they differ at record %d or before it", seq)})
	}
	return nil
}

// clockSlack is by how much the clock's offset moves before that is written down.
const clockSlack = int64(time.Second / time.Millisecond)

// clockChecked writes a clock.checked where the offset from the centre's clock has moved by more than a second since
// the last one, as far as the round trip lets it be known.
func (s *session) clockChecked(offset, roundTrip int64) error {
	moved := offset - s.memory.get().OffsetMs
	if s.silent || max(moved, -moved)-roundTrip/2 <= clockSlack {
		return nil
	}
	line := fmt.Sprintf(`{"kind":"clock.checked","body":{"offset_ms":%d,"round_trip_ms":%d}}`, offset, roundTrip)
	if err := s.recordOwn(line); errors.Is(err, journal.ErrFull) {
		s.cfg.Log.Warn("the disk is full: how the clock stands was not written down", "offset_ms", offset)
		return nil // what waits can go all the same
	} else if err != nil {
		return fmt.Errorf("write down how the clock stands: %w", err)
	}
	return s.memory.change(func(r *remembered) { r.OffsetMs = offset })
}
