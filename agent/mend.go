package agent

import (
	"context"
	"errors"
	"fmt"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// maxBack bounds what is held in memory while a range is fetched back, before its chain is found to be right.
const maxBack = 256 << 20

// mend fetches back what damage has taken from the device's own journal, as far as the centre has it. Of what the centre does
// not have either it takes note: what lies before can be sent, and nothing behind.
func (s *session) mend(ctx context.Context, h *wire.HelloAnswer) error {
	gaps, err := s.journal.Gaps()
	if err != nil {
		return err
	}
	for _, g := range gaps {
		if g.To > h.Seq {
			s.hole, s.from = &Stop{StopDisk, fmt.Sprintf("%s are damaged on this device's disk, and the centre does not have them: what follows cannot be sent. Keep the folder as it is and tell the office", g)}, g.From
			return nil
		}
		records, seals, err := s.back(ctx, g.From, g.To)
		if err != nil {
			return err
		}
		link, err := s.journal.LinkAt(g.From - 1)
		if err != nil {
			return err
		}
		if _, _, err := s.sealedChain(link, g.From, records, seals); err != nil {
			return err
		}
		if err := s.journal.Restore(g.From, records); errors.Is(err, journal.ErrChain) {
			return forked(wire.Answer{Reason: fmt.Sprintf("what it has of %s does not fit the chain here", g)})
		} else if err != nil {
			return fmt.Errorf("put %s back: %w", g, err)
		}
		s.cfg.Log.Info("fetched back what was damaged", "records", g.String())
		s.loop.progressed()
	}
	return nil
}

// catchUp brings a journal that was put back from a backup up to what the centre has of it. Nothing of it is written
// before the whole stretch is found to lead from the device's own head to the centre's cursor.
func (s *session) catchUp(ctx context.Context, head events.Head, h *wire.HelloAnswer) error {
	// From here on nothing new is taken.
	if err := s.memory.change(func(r *remembered) { r.Behind = h.Seq }); err != nil {
		return err
	}
	records, seals, err := s.back(ctx, head.Seq+1, h.Seq)
	if err != nil {
		return err
	}
	link, sealed, err := s.sealedChain(head.Link, head.Seq+1, records, seals)
	if err != nil {
		return err
	}
	if link != h.Link {
		return forked(wire.Answer{Reason: fmt.Sprintf("they differ before record %d", h.Seq)})
	}
	if sealed != h.Seq {
		return unsealed(h.Seq)
	}
	for len(records) > 0 {
		n := min(len(records), wire.MaxRecords)
		_, err := s.journal.Append(func(now events.Head) ([]journal.Frame, error) {
			if now.Seq != head.Seq || now.Link != head.Link {
				// Something was recorded while the records came: the numbers are given twice now.
				return nil, forked(wire.Answer{Reason: fmt.Sprintf("a record was written as number %d, which the centre has already", now.Seq)})
			}
			var all []journal.Frame
			for _, r := range records[:n] {
				all = append(all, journal.Frame{Type: journal.Record, Payload: r})
			}
			return all, nil
		})
		if err != nil {
			return fmt.Errorf("put back records %d to %d: %w", head.Seq+1, h.Seq, err)
		}
		head, records = s.journal.Head(), records[n:]
		s.loop.progressed()
	}
	if err := s.ring.follow(s.journal); err != nil { // it may have been renewed since
		return err
	}
	return s.memory.change(func(r *remembered) { r.Behind = 0 })
}

// sealedChain follows the chain from the link before record first over records, and holds the device's own seals over
// them to it and to the key that seals there. It returns the link that it ends with, and the number of the last record
// that a seal is over; that covers all before it.
func (s *session) sealedChain(link events.Hash, first events.Seq, records [][]byte, seals []events.Seal) (end events.Hash, sealed events.Seq, err error) {
	key, _ := s.ring.public(first)
	for i, raw := range records {
		seq := first + events.Seq(i)
		link = events.Link(link, events.HashRecord(raw))
		if len(seals) > 0 && seals[0].Seq == seq {
			if events.VerifySeal(key, s.id.Device, link, seals[0]) != nil {
				return events.Hash{}, 0, forked(wire.Answer{Reason: fmt.Sprintf("the seal over record %d does not hold by what this device has before it", seq)})
			}
			sealed, seals = seq, seals[1:]
		}
		if r, err := events.DecodeRecord(raw); err == nil {
			if renewed, ok := events.RenewedKey(&r); ok {
				key = renewed
			}
		}
	}
	return link, sealed, nil
}

// unsealed is for records that come back without a seal of this device.
func unsealed(last events.Seq) error {
	return &Stop{StopBehind, fmt.Sprintf("the centre gives back records up to %d of this device without this device's seal over the last of them; nothing of it was kept. Tell the office; do not record on this device until they have answered", last)}
}

// back fetches the device's own records from to to, and the seals over them.
func (s *session) back(ctx context.Context, from, to events.Seq) (all [][]byte, seals []events.Seal, err error) {
	size := 0
	for next := from; next <= to; {
		q := wire.BackRequest{Range: wire.Range{From: next, To: to}}
		a, err := s.ask(ctx, wire.Back, 2*s.cfg.Answer, func(string) []byte { return q.Encode() })
		if err != nil {
			return nil, nil, err
		}
		if a.Status != wire.OK {
			return nil, nil, unexpected(wire.Back, a)
		}
		b, err := wire.DecodeBackAnswer(a.Body)
		if err != nil {
			return nil, nil, err
		}
		if b.First != next || len(b.Records) == 0 || events.Seq(len(b.Records)) > to-next+1 {
			return nil, nil, &Stop{StopBehind, fmt.Sprintf("the centre cannot give back records %d to %d, which this device lacks. Tell the office; do not record on this device until they have answered", next, to)}
		}
		for i, raw := range b.Records {
			r, err := events.DecodeRecord(raw)
			if err != nil || r.Device != s.id.Device || r.Seq != next+events.Seq(i) {
				return nil, nil, &Stop{StopBehind, fmt.Sprintf("what the centre gives back as record %d of this device is something else; nothing of it was kept", next+events.Seq(i))}
			}
			if size += len(raw); size > maxBack {
				return nil, nil, &Stop{StopBehind, fmt.Sprintf("records %d to %d are too many to be fetched back at once", from, to)}
			}
		}
		all, seals = append(all, b.Records...), append(seals, b.Seals...)
		next += events.Seq(len(b.Records))
		s.loop.progressed()
	}
	return all, seals, nil
}
