package store

import (
	"context"
	"database/sql"
	"slices"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
)

// Machine returns all that the projections of a machine are folded from. The error is ErrNotThere where no record and
// no entry of the register names it.
func (s *Store) Machine(ctx context.Context, id events.MachineID, b projections.Bounds) (in projections.Input, err error) {
	err = s.asking(ctx, func(r *reader) error {
		in, err = r.input(id, b)
		return err
	})
	return in, err
}

// Machines lists the machines that any record names, in ascending order.
func (s *Store) Machines(ctx context.Context) (ids []events.MachineID, err error) {
	err = s.asking(ctx, func(r *reader) error {
		names, err := r.names(projections.OfMachine)
		for _, name := range names {
			ids = append(ids, events.MachineID(name))
		}
		return err
	})
	return ids, err
}

// Register returns the whole register.
func (s *Store) Register(ctx context.Context, b projections.Bounds) (reg *projections.Register, err error) {
	err = s.asking(ctx, func(r *reader) error {
		reg, _, err = r.register(b)
		return err
	})
	return reg, err
}

// Vessels returns the histories of all vessels together.
func (s *Store) Vessels(ctx context.Context, b projections.Bounds) (h projections.History, err error) {
	err = s.asking(ctx, func(r *reader) error {
		names, err := r.names(projections.OfVessel)
		if err != nil {
			return err
		}
		var all []projections.Arrival
		for _, name := range names {
			arrivals, err := r.history(keyOf(projections.OfVessel, name))
			if err != nil {
				return err
			}
			all = append(all, arrivals...)
		}
		h = projections.Resolve(all, b)
		return nil
	})
	return h, err
}

// Audit returns the records that a question of the audit asks for, and others that decide about them or share their
// histories, with the register.
func (s *Store) Audit(ctx context.Context, q audit.Query, b projections.Bounds) (h projections.History, reg *projections.Register, err error) {
	err = s.asking(ctx, func(r *reader) error {
		arrivals, err := r.asked(q, b)
		if err != nil {
			return err
		}
		h = projections.Resolve(arrivals, b)
		reg, _, err = r.register(b)
		return err
	})
	return h, reg, err
}

// asked gathers the histories that a question of the audit is answered from: the narrowest that is named.
func (r *reader) asked(ask audit.Query, b projections.Bounds) ([]projections.Arrival, error) {
	switch {
	case ask.Machine != "":
		all, err := r.some(machineKey(ask.Machine), "machine "+string(ask.Machine))
		if err != nil {
			return nil, err
		}
		for _, visit := range audit.Visits(projections.Resolve(all, b).All, ask.Machine) {
			more, err := r.history(visitKey(visit))
			if err != nil {
				return nil, err
			}
			all = append(all, more...)
		}
		return all, nil
	case !ask.Visit.IsZero():
		return r.some(visitKey(ask.Visit), "visit "+ask.Visit.String())
	case ask.Site != "":
		return r.some(keyOf(projections.OfSite, string(ask.Site)), "site "+string(ask.Site))
	case ask.Device != "":
		return r.ofDevice(ask.Device)
	}
	var all []projections.Arrival
	err := r.everything(func(a *arrival, _ bool) error {
		all = append(all, a.Arrival)
		return nil
	})
	return all, err
}

// ofDevice gathers the records of a device, and whatever corrects them or is corrected by them, and what decides about
// branches.
func (r *reader) ofDevice(device events.DeviceID) ([]projections.Arrival, error) {
	var all []projections.Arrival
	pushes, err := column[uint64](r, `SELECT seq FROM push WHERE device=? ORDER BY seq`, string(device))
	if err != nil {
		return nil, err
	}
	done := map[name]bool{}
	for _, push := range pushes {
		arrivals, err := r.push(push)
		if err != nil {
			return nil, err
		}
		for i := range arrivals {
			all = append(all, arrivals[i].Arrival)
			if target, ok, err := events.CorrectionOf(&arrivals[i].Record); ok && err == nil {
				if all, err = r.appendGroup(all, name{target.Device, target.Seq}, done); err != nil {
					return nil, err
				}
			}
		}
	}
	corrected, err := column[int64](r, `SELECT DISTINCT seq FROM correction WHERE device=?`, string(device))
	if err != nil {
		return nil, err
	}
	for _, seq := range corrected {
		if all, err = r.appendGroup(all, name{device, events.Seq(seq)}, done); err != nil {
			return nil, err
		}
	}
	return r.withForks(all)
}

func (r *reader) appendGroup(all []projections.Arrival, from name, done map[name]bool) ([]projections.Arrival, error) {
	group, err := r.group(from, done)
	for _, a := range group {
		all = append(all, a.Arrival)
	}
	return all, err
}

// Each hands every record of the model to fn, in the order of arrival, each once, as it first arrived.
func (s *Store) Each(ctx context.Context, fn func(*projections.Arrival) error) error {
	return s.asking(ctx, func(r *reader) error {
		return r.everything(func(a *arrival, again bool) error {
			if again {
				return nil
			}
			return fn(&a.Arrival)
		})
	})
}

// everything hands every record to fn, in the order of arrival; again those that came with an earlier receipt.
func (r *reader) everything(fn func(a *arrival, again bool) error) error {
	pushes, err := column[uint64](r, `SELECT seq FROM push ORDER BY seq`)
	if err != nil {
		return err
	}
	last := map[events.DeviceID]events.Seq{}
	for _, seq := range pushes {
		if err := r.ctx.Err(); err != nil {
			return err
		}
		arrivals, err := r.push(seq)
		if err != nil {
			return err
		}
		for i := range arrivals {
			a := &arrivals[i]
			again := false
			if n := (name{a.Record.Device, a.Record.Seq}); n.seq <= last[n.device] { // a healed range, or a fork
				same, err := r.named(n)
				if err != nil {
					return err
				}
				at := slices.IndexFunc(same, func(b *arrival) bool { return b.push == a.push })
				if at < 0 {
					continue
				}
				again = slices.ContainsFunc(same[:at], func(b *arrival) bool { return b.Hash == a.Hash })
			}
			last[a.Record.Device] = max(last[a.Record.Device], a.Record.Seq)
			if err := fn(a, again); err != nil {
				return err
			}
		}
	}
	return nil
}

// first is a record as it first arrived; ErrNotThere where it has not.
func (r *reader) first(n name, hash events.Hash) (*arrival, error) {
	same, err := r.named(n)
	if err != nil {
		return nil, err
	}
	for _, a := range same {
		if a.Hash == hash {
			return a, nil
		}
	}
	return nil, ErrNotThere
}

// Restatement is one earlier result that a later message changed.
type Restatement struct {
	ID         events.Hash
	Machine    events.MachineID
	Projection string
	What       string
	Old, New   string // JSON; New is empty where the result vanished
	CausedBy   events.Hash
}

// Restatements lists those of a machine, of all machines where id is empty, in the order in which they came about.
func (s *Store) Restatements(ctx context.Context, id events.MachineID) (all []Restatement, err error) {
	query, args := `SELECT id, machine, projection, what, old, new, caused_by FROM restatement`, []any{}
	if id != "" {
		query, args = query+` WHERE machine=?`, []any{string(id)}
	}
	err = s.asking(ctx, func(r *reader) error {
		return r.each(query+` ORDER BY number`, args, func(rows *sql.Rows) error {
			var x Restatement
			var hash, cause []byte
			err := rows.Scan(&hash, &x.Machine, &x.Projection, &x.What, &x.Old, &x.New, &cause)
			copy(x.ID[:], hash)
			copy(x.CausedBy[:], cause)
			all = append(all, x)
			return err
		})
	})
	return all, err
}

// Unread is a stretch of the stream that the model does not hold, and why.
type Unread struct {
	First, Last uint64 // sequences
	Why         string
}

// Unread lists what of the stream, up to the model's place, is not in the model: messages that are missing, or that
// this version cannot read.
func (s *Store) Unread(ctx context.Context) (all []Unread, err error) {
	err = s.asking(ctx, func(r *reader) error {
		return r.each(`SELECT first, last, why FROM unread ORDER BY first`, nil, func(rows *sql.Rows) error {
			var u Unread
			err := rows.Scan(&u.First, &u.Last, &u.Why)
			all = append(all, u)
			return err
		})
	})
	return all, err
}
