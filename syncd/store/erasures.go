package store

import (
	"context"
	"sync"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/evidence"
)

// erasures is what a model remembers of the records that order, confirm and forbid the erasure of evidence. Every
// device's hello asks for it, and every device's confirmation adds to it; so confirmations are taken up as they come,
// and only what the office writes, which is little, is folded anew.
type erasures struct {
	mu        sync.Mutex
	since     uint64                // the last message that touched them
	decisive  []projections.Arrival // orders and holds, with their corrections
	state     *evidence.State
	confirmed evidence.Confirmed
}

// withErasures runs fn over the erasures as far as the reader's state goes, or further.
func (r *reader) withErasures(fn func(*evidence.State, *evidence.Confirmed)) error {
	k := &r.m.erasures
	k.mu.Lock()
	defer k.mu.Unlock()
	spots, err := r.spots(erasureKey, k.since)
	if err != nil {
		return err
	}
	decisive, since := k.decisive, k.since
	var words []*projections.Arrival
	for _, s := range spots {
		a, err := r.at(s)
		if err != nil {
			return err
		}
		since = max(since, s.since)
		if a.Record.Kind == "erasure.done" && !a.Office {
			if len(a.Parted) > 0 {
				continue // another copy's word: the one that came first may have the piece still
			}
			words = append(words, &a.Arrival)
		} else {
			decisive = append(decisive, *kept(&a.Arrival))
		}
	}
	if k.state == nil || len(decisive) > len(k.decisive) {
		k.state = evidence.Fold(projections.Resolve(decisive, projections.Now))
	}
	for _, a := range words {
		k.confirmed.Add(a)
	}
	k.decisive, k.since = decisive, since
	fn(k.state, &k.confirmed)
	return nil
}

// Evidence returns which pieces of evidence were ordered to be erased, and which must not be.
func (s *Store) Evidence(ctx context.Context) (state *evidence.State, err error) {
	err = s.asking(ctx, func(r *reader) error {
		return r.withErasures(func(now *evidence.State, _ *evidence.Confirmed) { state = now })
	})
	return state, err
}

// Erasure is an order, and who has confirmed it.
type Erasure struct {
	evidence.Order
	Confirmed []evidence.Confirmation // by device
}

// Erasures lists all orders, and the pieces that devices say they have erased without one.
func (s *Store) Erasures(ctx context.Context) (all []Erasure, without []events.Digest, err error) {
	err = s.asking(ctx, func(r *reader) error {
		return r.withErasures(func(now *evidence.State, confirmed *evidence.Confirmed) {
			for _, o := range now.Orders {
				all = append(all, Erasure{o, confirmed.Of(o.Evidence)})
			}
			without = confirmed.Without(now)
		})
	})
	return all, without, err
}

// Erased lists the pieces that were ordered to be erased and that a device has not confirmed in its records up to a
// number, in the order of the orders: as many as one record can confirm.
func (s *Store) Erased(ctx context.Context, device events.DeviceID, upto events.Seq) (all []events.Digest, err error) {
	err = s.asking(ctx, func(r *reader) error {
		return r.withErasures(func(now *evidence.State, confirmed *evidence.Confirmed) {
			for _, o := range now.Orders {
				if len(all) < events.MaxList && !confirmed.By(device, o.Evidence, upto) {
					all = append(all, o.Evidence)
				}
			}
		})
	})
	return all, err
}

// Named returns the pieces of evidence that the records of a visit, a machine or a site name, and their corrections.
// The error is ErrNotThere where no record is of it.
func (s *Store) Named(ctx context.Context, scope evidence.Scope) (map[events.Digest]bool, error) {
	q := audit.Query{Visit: scope.Visit, Machine: scope.Machine, Site: scope.Site}
	found := map[events.Digest]bool{}
	h, _, err := s.Audit(ctx, q, projections.Now)
	if err == nil {
		evidence.Named(found, audit.Select(h, q))
	}
	return found, err
}
