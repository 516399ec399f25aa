package agent

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// Sizes of a push's frame. It begins small and doubles while answers come fast, so that a thin line is not asked for
// more than it carries within the time that an answer may take; after a time-out it is halved.
const (
	firstFrame    = 64 << 10
	leastFrame    = 8 << 10
	fast          = 2 * time.Second // an answer within this lets the next frame be larger
	bytesASecond  = 32 << 10        // the time that an answer may take grows with the frame by this
	sameCursorMax = 3               // answers without a step forward, after which the conversation is begun anew
)

// prepared is a push that is ready to be sent.
type prepared struct {
	first, last events.Seq
	frame       []byte
}

func (p *prepared) build(string) []byte { return p.frame }

// push brings everything behind the cursor to the centre, in order, with one push in flight. While it waits for the
// answer it writes down the receipt of the push before and prepares the next.
func (s *session) push(ctx context.Context, cursor events.Seq) (err error) {
	var next *prepared
	var owed []byte // the receipt of the push before
	defer func() { err = errors.Join(err, s.keep(owed)) }()
	for stuck := 0; ; {
		p := next
		if p == nil || p.first != cursor+1 {
			if p, err = s.pack(cursor, wire.MaxRecords); err != nil || p == nil {
				return err
			}
		}
		sent := s.t.line.Now()
		asked, err := s.t.ask(wire.Push, s.patience(p), p.build)
		if err != nil {
			return err
		}
		if err := s.keep(owed); err != nil {
			return err
		}
		owed = nil
		if next, err = s.pack(p.last, wire.MaxRecords); err != nil {
			next = nil // told when it is needed
		}
		a, err := s.answered(ctx, asked, cursor)
		if err != nil {
			return err
		}
		switch a.Status {
		case wire.Busy:
			if err := s.busy(ctx, a); err != nil {
				return err
			}
			next = p
			continue
		case wire.OK, wire.Elsewhere:
		default:
			return unexpected(wire.Push, a)
		}
		took := s.t.line.Now().Sub(sent)
		s.cfg.Log.Debug("pushed", "from", p.first, "to", p.last, "answer", a.Status, "took", took)
		if took < fast {
			s.t.frame = min(2*s.t.frame, wire.MaxFrame)
		}
		before := cursor
		if cursor, owed, err = s.receive(a.Body); err != nil {
			return err
		}
		if stuck++; cursor > before {
			stuck = 0
			s.loop.progressed()
		} else if stuck == sameCursorMax {
			return fmt.Errorf("push: the centre stays at record %d", cursor)
		}
	}
}

// answered waits for the answer to a push of what is behind the cursor. Where none comes in time, that is unknown, not
// failed: it sends the same again, or as much of it as a thinner line carries, and the centre's cursor decides.
func (s *session) answered(ctx context.Context, asked asking, cursor events.Seq) (wire.Answer, error) {
	for n := 1; ; n++ {
		a, err := s.t.await(ctx, asked)
		if n == tries || !errors.Is(err, ErrNoAnswer) {
			return a, err
		}
		s.t.frame = max(s.t.frame/2, leastFrame)
		p, err := s.pack(cursor, wire.MaxRecords)
		if err != nil {
			return wire.Answer{}, err
		}
		if asked, err = s.t.again(asked, s.patience(p), p.build); err != nil {
			return wire.Answer{}, err
		}
	}
}

// receive takes the answer to a push: the cursor of the centre, and the receipt, which the caller keeps. The receipt is
// nil where the device has one that goes as far.
func (s *session) receive(body []byte) (events.Seq, []byte, error) {
	a, err := wire.DecodePushAnswer(body)
	if err != nil {
		return 0, nil, err
	}
	if err := s.agrees(a.Seq, a.Link); err != nil {
		return 0, nil, err
	}
	if a.Seq == 0 && len(a.Receipt) == 0 {
		return 0, nil, nil
	}
	r, err := wire.DecodeReceipt(a.Receipt)
	if err != nil {
		return 0, nil, err
	}
	if r.Device != s.id.Device || r.Last != a.Seq || r.Link != a.Link {
		return 0, nil, &Stop{StopGate, fmt.Sprintf("gate %s gave a receipt for something else than this device's records up to %d; it was not taken", r.Gate, a.Seq)}
	}
	key, known := s.gates[r.Gate]
	if !known {
		return 0, nil, fmt.Errorf("the receipt is by gate %s, whose key is not known yet", r.Gate)
	}
	if err := r.Verify(key); err != nil {
		return 0, nil, &Stop{StopGate, fmt.Sprintf("the signature of a receipt by gate %s does not hold; it was not taken", r.Gate)}
	}
	if err := s.guard.receipted(r.Checkpoint, s.cfg.millis()); err != nil {
		return 0, nil, err
	}
	received, err := s.received()
	if err != nil || r.Last <= received {
		return a.Seq, nil, err
	}
	return a.Seq, bytes.Clone(a.Receipt), nil
}

// keep writes a receipt down. Only then its records count as received.
func (s *session) keep(receipt []byte) error {
	if receipt == nil {
		return nil
	}
	_, err := s.journal.Append(func(events.Head) ([]journal.Frame, error) {
		return []journal.Frame{{Type: journal.Receipt, Payload: receipt}}, nil
	})
	if err != nil {
		return fmt.Errorf("write a receipt down: %w", err)
	}
	return nil
}

// claim fetches the receipt for records that the centre has and the device has no receipt for: an answer was lost. One
// of them is pushed again, which stores nothing and is answered with the cursor and its receipt.
func (s *session) claim(ctx context.Context, received events.Seq) (events.Seq, error) {
	p, err := s.pack(received, 1)
	if err != nil || p == nil {
		return received, err
	}
	a, err := s.ask(ctx, wire.Push, s.patience(p), p.build)
	if err != nil {
		return 0, err
	}
	if a.Status != wire.OK && a.Status != wire.Elsewhere {
		return 0, unexpected(wire.Push, a)
	}
	cursor, receipt, err := s.receive(a.Body)
	if err != nil {
		return 0, err
	}
	return cursor, s.keep(receipt)
}

// patience is how long the answer to a push may take.
func (s *session) patience(p *prepared) time.Duration {
	return s.cfg.Answer + time.Duration(len(p.frame))*time.Second/bytesASecond
}

// pack makes the push of at most most records behind the cursor, as large as the connection carries now; nil where
// there are none. It carries the seals that were made in that stretch, and one over its last record.
func (s *session) pack(cursor events.Seq, most int) (*prepared, error) {
	budget := min(s.t.frame, s.t.room())
	var original []byte
	if r, ok := s.had.covering(cursor + 1); ok {
		// As much at once as there was then: at its end the centre can hold the receipt to the chain.
		original, budget, most = r.raw, s.t.room(), min(most, int(r.last-cursor))
	}
	return s.packUpTo(cursor, most, budget, original)
}

// packUpTo is pack for a frame of at most budget bytes. All of a push is sealed by one key, so it goes no further than a
// renewal.
func (d *Device) packUpTo(cursor events.Seq, most, budget int, original []byte) (*prepared, error) {
	link, err := d.journal.LinkAt(cursor)
	if err != nil {
		return nil, err
	}
	if _, last := d.ring.public(cursor + 1); last-cursor < events.Seq(most) {
		most = int(last - cursor)
	}
	var list []byte
	var ends []int          // of the records in list
	var links []events.Hash // of the chain at each
	at := link
	err = d.journal.Scan(cursor+1, func(_ events.Seq, record []byte) error {
		if len(ends) == most || len(ends) > 0 && len(list)+len(record) > min(wire.MaxPlain-8, bestRatio*budget) {
			return errEnough
		}
		list = wire.AppendPiece(list, record)
		at = events.Link(at, events.HashRecord(record))
		ends, links = append(ends, len(list)), append(links, at)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		// What comes before damage can be sent all the same.
		if !errors.Is(err, journal.ErrGap) || len(ends) == 0 {
			return nil, err
		}
	}
	if len(ends) == 0 {
		return nil, nil
	}
	seals, err := d.journal.Seals(cursor+1, cursor+events.Seq(len(ends)))
	if err != nil {
		return nil, err
	}
	for n := len(ends); ; {
		p := &prepared{first: cursor + 1, last: cursor + events.Seq(n)}
		q := wire.PushRequest{First: p.first, Link: link, Data: wire.Squeeze(list[:ends[n-1]]), Original: original}
		if q.Seals, err = d.sealed(seals, p.last, links[n-1]); err != nil {
			return nil, err
		}
		p.frame = q.Encode()
		if len(p.frame) <= budget || n == 1 {
			return p, nil
		}
		n = max(1, min(n-1, n*budget/len(p.frame)*9/10))
	}
}

// errEnough ends a scan.
var errEnough = errors.New("enough")

// bestRatio is how far records are taken to shrink at best: no more are read for a push than could fit it.
const bestRatio = 16

// sealed are the seals of a push that ends with last: those that the journal has up to there, and one over last.
func (d *Device) sealed(kept [][]byte, last events.Seq, link events.Hash) ([]events.Seal, error) {
	var seals []events.Seal
	for _, payload := range kept {
		seal, err := wire.DecodeSeal(payload)
		if err != nil {
			return nil, fmt.Errorf("a seal in the journal: %w", err)
		}
		if seal.Seq <= last {
			seals = append(seals, seal)
		}
	}
	if n := len(seals); n == 0 || seals[n-1].Seq != last {
		key, err := d.ring.at(last)
		if err != nil {
			return nil, err
		}
		seals = append(seals, events.SignSeal(key, d.id.Device, last, link, d.guard.seen()))
	}
	return seals, nil
}
