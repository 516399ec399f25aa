package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/projections/audit"
)

// querier is a transaction or a connection.
type querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
}

// push reads the records of one message.
func (m *model) push(q querier, seq uint64) ([]arrival, error) {
	if a, ok := m.pushes.get(seq); ok {
		return a, nil
	}
	rows, err := q.Query(`SELECT data FROM push WHERE seq=?`, int64(seq))
	if err != nil {
		return nil, err
	}
	data, err := collect[[]byte](rows)
	if err != nil {
		return nil, err
	}
	if len(data) == 0 {
		return nil, fmt.Errorf("message %d is not in the read model", seq)
	}
	msg, err := readMessage(wire.Place{Seq: seq, Hash: wire.HashData(data[0])}, data[0], m.office)
	if err != nil {
		return nil, err
	}
	m.pushes.put(seq, msg.arrivals, len(msg.arrivals))
	return msg.arrivals, nil
}

// spots lists where the records of a history stand, in the order of arrival, behind the message after.
func (m *model) spots(q querier, key string, after uint64) ([]spot, error) {
	rows, err := q.Query(`SELECT push, places FROM touch WHERE key=? AND push>? ORDER BY push`, key, int64(after))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []spot
	for rows.Next() {
		var push uint64
		var blob []byte
		if err := rows.Scan(&push, &blob); err != nil {
			return nil, err
		}
		places, err := readPlaces(blob)
		if err != nil {
			return nil, fmt.Errorf("history %s: %w", key, err)
		}
		for _, p := range places {
			all = append(all, spot{push, p})
		}
	}
	return all, rows.Err()
}

// arrivals reads the records of a history, in the order of arrival.
func (m *model) arrivals(q querier, key string, after uint64, fn func(*arrival) error) error {
	spots, err := m.spots(q, key, after)
	if err != nil {
		return err
	}
	for _, s := range spots {
		records, err := m.push(q, s.push)
		if err != nil {
			return err
		}
		if s.place >= len(records) {
			return fmt.Errorf("history %s: message %d has no record %d", key, s.push, s.place)
		}
		if err := fn(&records[s.place]); err != nil {
			return err
		}
	}
	return nil
}

func (m *model) history(q querier, key string) ([]projections.Arrival, error) {
	var all []projections.Arrival
	err := m.arrivals(q, key, 0, func(a *arrival) error {
		all = append(all, a.Arrival)
		return nil
	})
	return all, err
}

// asking runs fn over one unchanging state of the model.
func (s *Store) asking(ctx context.Context, fn func(*model, querier) error) (err error) {
	s.mu.Lock()
	m := s.model
	m.gate.RLock()
	s.mu.Unlock()
	defer m.gate.RUnlock()
	tx, err := m.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }()
	return fn(m, tx)
}

// Machine returns all that the projections of a machine are folded from. The error is ErrNotThere where no record and
// no entry of the register names it.
func (s *Store) Machine(ctx context.Context, id events.MachineID, b projections.Bounds) (in projections.Input, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		in, _, err = m.input(func(key string) ([]projections.Arrival, error) { return m.history(q, key) }, id, b)
		return err
	})
	return in, err
}

// Machines lists the machines that any record names, in ascending order.
func (s *Store) Machines(ctx context.Context) (ids []events.MachineID, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		names, err := m.names(q, projections.OfMachine)
		for _, name := range names {
			ids = append(ids, events.MachineID(name))
		}
		return err
	})
	return ids, err
}

// Each hands every record of the model to fn, in the order of arrival, each once.
func (s *Store) Each(ctx context.Context, fn func(*projections.Arrival) error) error {
	return s.asking(ctx, func(m *model, q querier) error {
		return m.each(q, func(a *arrival) error { return errors.Join(fn(&a.Arrival), ctx.Err()) })
	})
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
	err = s.asking(ctx, func(m *model, q querier) error {
		rows, err := q.Query(`SELECT id, machine, projection, what, old, new, caused_by FROM restatement WHERE ?1='' OR machine=?1 ORDER BY number`, string(id))
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var r Restatement
			var hash, cause []byte
			if err := rows.Scan(&hash, &r.Machine, &r.Projection, &r.What, &r.Old, &r.New, &cause); err != nil {
				return err
			}
			copy(r.ID[:], hash)
			copy(r.CausedBy[:], cause)
			all = append(all, r)
		}
		return rows.Err()
	})
	return all, err
}

// Record finds a record by its device and number.
func (s *Store) Record(ctx context.Context, t events.Target) (a projections.Arrival, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		same, err := m.named(q, t.Device, t.Seq)
		if err != nil {
			return err
		}
		for _, x := range same {
			if x.Hash == t.Hash {
				a = x.Arrival
				return nil
			}
		}
		return ErrNotThere
	})
	return a, err
}

// ByID finds a record by its id. The ids of a message lie in a stretch of time, so few messages are looked through.
func (s *Store) ByID(ctx context.Context, id events.RecordID) (raw []byte, ok bool, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		rows, err := q.Query(`SELECT seq FROM push WHERE low<=?1 AND high>=?1 ORDER BY seq`, int64(id.At()))
		if err != nil {
			return err
		}
		pushes, err := collect[uint64](rows)
		if err != nil {
			return err
		}
		for _, seq := range pushes {
			arrivals, err := m.push(q, seq)
			if err != nil {
				return err
			}
			if i := slices.IndexFunc(arrivals, func(x arrival) bool { return x.Record.ID == id }); i >= 0 {
				raw, ok = arrivals[i].raw, true
				return nil
			}
		}
		return nil
	})
	return raw, ok, err
}

// Corrections returns the bytes of the records that amend, withdraw or admit a record.
func (s *Store) Corrections(ctx context.Context, of events.Target) (raws [][]byte, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		rows, err := q.Query(`SELECT push, place FROM correction WHERE device=? AND seq=? ORDER BY push, place`, string(of.Device), int64(of.Seq))
		if err != nil {
			return err
		}
		spots, err := collectSpots(rows)
		if err != nil {
			return err
		}
		for _, at := range spots {
			arrivals, err := m.push(q, at.push)
			if err != nil {
				return err
			}
			if target, ok, err := events.CorrectionOf(&arrivals[at.place].Record); err == nil && ok && target == of {
				raws = append(raws, arrivals[at.place].raw)
			}
		}
		return nil
	})
	return raws, err
}

// Own returns the bytes of a device's records from r.From on, as many as one answer to "back" holds.
func (s *Store) Own(ctx context.Context, device events.DeviceID, r wire.Range) (records [][]byte, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		size, next := 0, r.From
		for next <= r.To && len(records) < wire.MaxRecords {
			pushes, err := m.holding(q, device, next, next)
			if err != nil || len(pushes) == 0 {
				return err
			}
			arrivals, err := m.push(q, pushes[0])
			if err != nil {
				return err
			}
			for _, a := range arrivals {
				if a.Record.Seq != next || next > r.To {
					continue
				}
				if size += len(a.raw); size > wire.MaxPull || len(records) == wire.MaxRecords {
					return nil
				}
				records = append(records, a.raw)
				next++
			}
		}
		return nil
	})
	return records, err
}

// Audit returns the records that a question of the audit asks for, and others of the same histories, with the register.
func (s *Store) Audit(ctx context.Context, q audit.Query, b projections.Bounds) (h projections.History, reg *projections.Register, err error) {
	err = s.asking(ctx, func(m *model, tx querier) error {
		arrivals, err := m.asked(tx, q)
		if err != nil {
			return err
		}
		h = projections.Resolve(arrivals, b)
		reg, err = m.register(tx, b)
		return err
	})
	return h, reg, err
}

// Register returns the whole register.
func (s *Store) Register(ctx context.Context, b projections.Bounds) (reg *projections.Register, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		reg, err = m.register(q, b)
		return err
	})
	return reg, err
}

func (m *model) register(q querier, b projections.Bounds) (*projections.Register, error) {
	arrivals, err := m.history(q, registerKey)
	if err != nil {
		return nil, err
	}
	return projections.NewRegister(projections.Resolve(arrivals, b)), nil
}

// Vessels returns the histories of all vessels together.
func (s *Store) Vessels(ctx context.Context, b projections.Bounds) (h projections.History, err error) {
	err = s.asking(ctx, func(m *model, q querier) error {
		names, err := m.names(q, projections.OfVessel)
		if err != nil {
			return err
		}
		var all []projections.Arrival
		for _, name := range names {
			arrivals, err := m.history(q, projections.Key{Space: projections.OfVessel, Name: name}.String())
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

// names lists what the histories of a space are about, in ascending order.
func (m *model) names(q querier, space projections.Space) ([]string, error) {
	// Behind the space stands ':', and the character after that is ';'.
	rows, err := q.Query(`SELECT DISTINCT key FROM touch WHERE key>=? AND key<?`, string(space)+":", string(space)+";")
	if err != nil {
		return nil, err
	}
	names, err := collect[string](rows)
	for i := range names {
		names[i] = strings.TrimPrefix(names[i], string(space)+":")
	}
	return names, err
}

// asked gathers the histories that a question of the audit is answered from: the narrowest that is named.
func (m *model) asked(q querier, ask audit.Query) ([]projections.Arrival, error) {
	switch {
	case ask.Machine != "":
		all, err := m.history(q, machineKey(ask.Machine))
		if err != nil {
			return nil, err
		}
		if len(all) == 0 {
			return nil, fmt.Errorf("machine %s: %w", ask.Machine, ErrNotThere)
		}
		for _, visit := range audit.Visits(projections.Resolve(all, projections.Now).All, ask.Machine) {
			more, err := m.history(q, visitKey(visit))
			if err != nil {
				return nil, err
			}
			all = append(all, more...)
		}
		return all, nil
	case !ask.Visit.IsZero():
		return m.some(q, visitKey(ask.Visit), "visit "+ask.Visit.String())
	case ask.Site != "":
		return m.some(q, string(projections.OfSite)+":"+string(ask.Site), "site "+string(ask.Site))
	}
	var all []projections.Arrival
	err := m.each(q, func(a *arrival) error {
		all = append(all, a.Arrival)
		return nil
	})
	return all, err
}

// some is a history that must not be empty.
func (m *model) some(q querier, key, what string) ([]projections.Arrival, error) {
	all, err := m.history(q, key)
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("%s: %w", what, ErrNotThere)
	}
	return all, err
}

// first is the message that first brought a record.
func (m *model) first(q querier, a *arrival) (uint64, error) {
	same, err := m.named(q, a.Record.Device, a.Record.Seq)
	if err != nil {
		return 0, err
	}
	for _, b := range same {
		if b.Hash == a.Hash {
			return b.push, nil
		}
	}
	return a.push, nil
}

// named returns the records of that device and number, in the order of arrival; more than one where a device forked.
func (m *model) named(q querier, device events.DeviceID, seq events.Seq) ([]*arrival, error) {
	pushes, err := m.holding(q, device, seq, seq)
	if err != nil {
		return nil, err
	}
	var all []*arrival
	for _, push := range pushes {
		arrivals, err := m.push(q, push)
		if err != nil {
			return nil, err
		}
		for i := range arrivals {
			a := &arrivals[i]
			if a.Record.Seq == seq && !slices.ContainsFunc(all, func(b *arrival) bool { return b.Hash == a.Hash }) {
				all = append(all, a)
			}
		}
	}
	return all, nil
}

// holding lists the messages that bring records of a device in a range, in order.
func (m *model) holding(q querier, device events.DeviceID, from, to events.Seq) ([]uint64, error) {
	rows, err := q.Query(`SELECT seq FROM push WHERE device=? AND first<=? AND first>? AND last>=? ORDER BY seq`,
		string(device), int64(to), int64(from)-wire.MaxRecords, int64(from))
	if err != nil {
		return nil, err
	}
	return collect[uint64](rows)
}

// each hands every record to fn, in the order of arrival, each once.
func (m *model) each(q querier, fn func(*arrival) error) error {
	rows, err := q.Query(`SELECT seq FROM push ORDER BY seq`)
	if err != nil {
		return err
	}
	pushes, err := collect[uint64](rows)
	if err != nil {
		return err
	}
	last := map[events.DeviceID]events.Seq{}
	for _, seq := range pushes {
		arrivals, err := m.push(q, seq)
		if err != nil {
			return err
		}
		for i := range arrivals {
			a := &arrivals[i]
			if a.Record.Seq <= last[a.Record.Device] { // only a healed range brings what is there already
				first, err := m.first(q, a)
				if err != nil {
					return err
				}
				if first != a.push {
					continue
				}
			}
			last[a.Record.Device] = max(last[a.Record.Device], a.Record.Seq)
			if err := fn(a); err != nil {
				return err
			}
		}
	}
	return nil
}
