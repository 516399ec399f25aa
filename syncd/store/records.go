package store

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// Record finds a record by its device, number and hash. The error is ErrNotThere where it has not come.
func (s *Store) Record(ctx context.Context, t events.Target) (a projections.Arrival, err error) {
	err = s.asking(ctx, func(r *reader) error {
		first, err := r.first(name{t.Device, t.Seq}, t.Hash)
		if err == nil {
			a = first.Arrival
		}
		return err
	})
	return a, err
}

// ByID finds a record by its id. The ids of a message lie in a stretch of time, so few messages are looked through.
func (s *Store) ByID(ctx context.Context, id events.RecordID) (raw []byte, ok bool, err error) {
	err = s.asking(ctx, func(r *reader) error {
		pushes, err := column[uint64](r, `SELECT seq FROM push WHERE high>=?1 AND low<=?1 ORDER BY seq`, int64(id.At()))
		if err != nil {
			return err
		}
		for _, seq := range pushes {
			arrivals, err := r.push(seq)
			if err != nil {
				return err
			}
			if i := slices.IndexFunc(arrivals, func(a arrival) bool { return a.Record.ID == id }); i >= 0 {
				raw, ok = arrivals[i].raw, true
				return nil
			}
		}
		return nil
	})
	return raw, ok, err
}

// Corrections returns the bytes of the records that amend, withdraw or admit a record, in the order of arrival.
func (s *Store) Corrections(ctx context.Context, of events.Target) (raws [][]byte, err error) {
	err = s.asking(ctx, func(r *reader) error {
		spots, err := r.corrections(name{of.Device, of.Seq})
		if err != nil {
			return err
		}
		for _, at := range spots {
			a, err := r.at(at)
			if err != nil {
				return err
			}
			if target, ok, err := events.CorrectionOf(&a.Record); err == nil && ok && target == of {
				raws = append(raws, a.raw)
			}
		}
		return nil
	})
	return raws, err
}

// Own answers a device's "back": the bytes of its own records from from.From on, without a gap, as many as one answer
// holds, and the seals with which they came. Where a device forked, they are those that came first.
func (s *Store) Own(ctx context.Context, device events.DeviceID, from wire.Range) (a wire.BackAnswer, err error) {
	a.First = from.From
	err = s.asking(ctx, func(r *reader) error {
		size := 0
		for next := from.From; next <= from.To; {
			m, err := r.bringing(device, next)
			if err != nil || m == nil {
				return err
			}
			seals := m.commit.Seals
			for _, x := range m.arrivals[next-m.commit.Range.From:] {
				for len(seals) > 0 && seals[0].Seq < next {
					seals = seals[1:]
				}
				size += len(x.raw)
				sealed := len(seals) > 0 && seals[0].Seq == next
				if sealed {
					size += len(seals[0].Seen) + len(seals[0].Signature)
				}
				if size > wire.MaxPull || next > from.To || len(a.Records) == wire.MaxRecords {
					return nil
				}
				a.Records = append(a.Records, x.raw)
				if sealed {
					a.Seals = append(a.Seals, seals[0])
				}
				next++
			}
		}
		return nil
	})
	return a, err
}

// ChainAt returns the link of a device's chain at a record, and the key that seals behind it; a nil key where the record
// has not come. Where a device forked, the chain is the one that came first.
func (s *Store) ChainAt(ctx context.Context, device events.DeviceID, seq events.Seq) (link events.Hash, key ed25519.PublicKey, err error) {
	err = s.asking(ctx, func(r *reader) error {
		m, err := r.bringing(device, seq)
		if err != nil || m == nil {
			return err
		}
		key = m.commit.Key
		if renewed, ok := events.RenewedKey(&m.arrivals[seq-m.commit.Range.From].Record); ok {
			key = renewed
		}
		link, err = r.linkIn(m, seq)
		return err
	})
	return link, key, err
}

// bringing is the first message that brings a record, as the chain has it that came first; nil where none does.
func (r *reader) bringing(device events.DeviceID, seq events.Seq) (*message, error) {
	push, err := r.main(device, seq)
	if err != nil || push == 0 {
		return nil, err
	}
	return r.message(push, nil)
}

// linkIn is the link at a record of a message. Its own commit record tells it at the end; at an earlier record it follows
// from the end of the message before, or from the chain's beginning.
func (r *reader) linkIn(m *message, seq events.Seq) (events.Hash, error) {
	c := m.commit
	if c.Seq == seq {
		return c.Link, nil
	}
	link := events.FirstLink(c.Device, c.Key)
	if before := c.Range.From - 1; before > 0 {
		last, err := r.bringing(c.Device, before)
		if err != nil {
			return events.Hash{}, err
		}
		if last == nil {
			return events.Hash{}, fmt.Errorf("record %d of %s: %w", before, c.Device, ErrNotThere)
		}
		if link, err = r.linkIn(last, before); err != nil {
			return events.Hash{}, err
		}
	}
	for _, a := range m.arrivals[:seq-c.Range.From+1] {
		link = events.Link(link, a.Hash)
	}
	return link, nil
}

// Numbered returns the records of a device with that number, in the order of arrival: more than one where it forked.
func (s *Store) Numbered(ctx context.Context, device events.DeviceID, seq events.Seq) (all []projections.Arrival, err error) {
	err = s.asking(ctx, func(r *reader) error {
		named, err := r.named(name{device, seq})
		for _, a := range named {
			all = append(all, a.Arrival)
		}
		return err
	})
	return all, err
}
