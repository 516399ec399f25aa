package store

import (
	"context"
	"fmt"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// Push is a message of RECORDS as it was stored. Nobody changes what it holds.
type Push struct {
	Place   wire.Place
	Commit  *wire.Commit
	Records [][]byte
}

// Push returns the message that brought a record of a device first. Where the device forked, it is the record of the chain
// that came first. The error is ErrNotThere where none did.
func (s *Store) Push(ctx context.Context, device events.DeviceID, seq events.Seq) (p Push, err error) {
	err = s.asking(ctx, func(r *reader) error {
		m, err := r.bringing(device, seq)
		if err != nil {
			return err
		}
		if m == nil {
			return fmt.Errorf("record %d of %s: %w", seq, device, ErrNotThere)
		}
		p = Push{m.place, m.commit, make([][]byte, len(m.arrivals))}
		p.Place.Created = r.m.place().Created
		for i := range m.arrivals {
			p.Records[i] = m.arrivals[i].raw
		}
		return nil
	})
	return p, err
}

// Fleet returns the records by which devices are let in and revoked that came behind a message, in the order of arrival, and
// the last message that was looked at. Whose word counts is for the caller to say.
func (s *Store) Fleet(ctx context.Context, after uint64) (all []projections.Arrival, upto uint64, err error) {
	err = s.asking(ctx, func(r *reader) error {
		if upto, err = r.newest(); err != nil {
			return err
		}
		spots, err := r.spots(fleetKey, after)
		if err != nil {
			return err
		}
		for _, s := range spots {
			a, err := r.at(s)
			if err != nil {
				return err
			}
			all = append(all, *kept(&a.Arrival))
		}
		return nil
	})
	return all, upto, err
}

// Keys returns the records that say which keys a device has, in the order of arrival. Whose word counts is for the
// caller to say.
func (s *Store) Keys(ctx context.Context, device events.DeviceID) (all []projections.Arrival, err error) {
	err = s.asking(ctx, func(r *reader) error {
		all, err = r.history(keyOf(ofKeys, string(device)))
		return err
	})
	return all, err
}
