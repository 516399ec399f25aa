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
)

// querier is a transaction, or an engine within its own.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// reader reads one unchanging state of a model: that which its transaction sees.
type reader struct {
	m   *model
	q   querier
	ctx context.Context
	own map[uint64][]arrival // messages of a transaction that is not committed yet
}

// asking runs fn over one unchanging state of the model.
func (s *Store) asking(ctx context.Context, fn func(*reader) error) (err error) {
	m, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	defer func() {
		if err != nil && ctx.Err() != nil {
			err = context.Cause(ctx) // whatever the database makes of it
		}
	}()
	tx, err := m.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	defer func() {
		if e := tx.Rollback(); err == nil && e != nil && !errors.Is(e, sql.ErrTxDone) {
			err = fmt.Errorf("read model: %w", e)
		}
	}()
	return fn(&reader{m: m, q: tx, ctx: ctx})
}

// column runs a query for one column.
func column[T any](r *reader, query string, args ...any) (all []T, err error) {
	err = r.each(query, args, func(rows *sql.Rows) error {
		var x T
		err := rows.Scan(&x)
		all = append(all, x)
		return err
	})
	return all, err
}

// each hands the rows of a query to scan.
func (r *reader) each(query string, args []any, scan func(*sql.Rows) error) error {
	rows, err := r.q.QueryContext(r.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// push reads the records of one message. Nobody changes them.
func (r *reader) push(seq uint64) ([]arrival, error) {
	if a, ok := r.remembered(seq); ok {
		return a, nil
	}
	m, err := r.message(seq, nil)
	if err != nil {
		return nil, err
	}
	r.m.pushes.put(seq, m.arrivals, len(m.arrivals))
	return m.arrivals, nil
}

// few is how many records are read out of a message without the others. A history whose records are scattered over
// many messages, a few in each, would else read and forget all of them, and so would the next.
const few = 64

// someOf reads a message for the records at some places; those at others may be zero.
func (r *reader) someOf(seq uint64, places []int) ([]arrival, error) {
	if len(places) > few {
		return r.push(seq)
	}
	if a, ok := r.remembered(seq); ok {
		return a, nil
	}
	m, err := r.message(seq, places)
	if err != nil {
		return nil, err
	}
	return m.arrivals, nil
}

func (r *reader) remembered(seq uint64) ([]arrival, bool) {
	if a, ok := r.own[seq]; ok {
		return a, true
	}
	return r.m.pushes.get(seq)
}

// message reads a message from the table, of its records only those at the places that are wanted; nil wants all.
func (r *reader) message(seq uint64, wanted []int) (*message, error) {
	var hash, data []byte
	err := r.each(`SELECT hash, data FROM push WHERE seq=?`, []any{int64(seq)}, func(rows *sql.Rows) error { return rows.Scan(&hash, &data) })
	if err != nil {
		return nil, err
	}
	place := wire.Place{Seq: seq}
	if copy(place.Hash[:], hash) != len(place.Hash) {
		return nil, fmt.Errorf("message %d is not in the read model", seq)
	}
	m, err := readSome(place, data, r.m.office, wanted)
	if err != nil {
		return nil, fmt.Errorf("message %d: %w", seq, err)
	}
	return m, nil
}

// spot is where a record stands in the model, and since which message it belongs to a history.
type spot struct {
	since uint64
	push  uint64
	place int
}

func (r *reader) at(s spot) (*arrival, error) {
	records, err := r.push(s.push)
	if err != nil {
		return nil, err
	}
	if s.place >= len(records) {
		return nil, fmt.Errorf("message %d has no record %d", s.push, s.place)
	}
	return &records[s.place], nil
}

// touched is a row of the table touch: which records of a message belong to a history, and since which other. It has no
// places where it is the parting that belongs there which the message tells.
type touched struct {
	since, push uint64
	places      []int
}

// touches lists how a history has grown behind the message after, in the order in which it did.
func (r *reader) touches(key string, after uint64) (all []touched, err error) {
	err = r.each(`SELECT since, push, places FROM touch WHERE key=? AND since>? ORDER BY since, push`, []any{key, int64(after)}, func(rows *sql.Rows) error {
		var t touched
		var blob []byte
		if err := rows.Scan(&t.since, &t.push, &blob); err != nil {
			return err
		}
		if t.places, err = readPlaces(blob); err != nil {
			return fmt.Errorf("history %s: %w", key, err)
		}
		all = append(all, t)
		return nil
	})
	return all, err
}

// spots lists where the records of a history stand that came into it behind the message after, in the order in which
// they came into it.
func (r *reader) spots(key string, after uint64) (all []spot, err error) {
	touches, err := r.touches(key, after)
	for _, t := range touches {
		for _, place := range t.places {
			all = append(all, spot{t.since, t.push, place})
		}
	}
	return all, err
}

// member is a record of a history, and since which message it belongs there; or a parting that decides about others.
type member struct {
	since uint64
	*projections.Arrival
}

// members reads a history, in the order in which records came into it. They are copies that can be remembered.
func (r *reader) members(key string) ([]member, error) {
	touches, err := r.touches(key, 0)
	if err != nil {
		return nil, err
	}
	all := make([]member, 0, len(touches))
	for _, t := range touches {
		wanted := t.places
		if len(wanted) == 0 {
			wanted = []int{0}
		}
		records, err := r.someOf(t.push, wanted)
		if err != nil {
			return nil, fmt.Errorf("history %s: %w", key, err)
		}
		if len(t.places) == 0 {
			all = append(all, member{t.since, partingOf(records)})
		}
		for _, place := range t.places {
			if place >= len(records) {
				return nil, fmt.Errorf("history %s: message %d has no record %d", key, t.push, place)
			}
			all = append(all, member{t.since, kept(&records[place].Arrival)})
		}
	}
	return all, nil
}

// history reads a history.
func (r *reader) history(key string) ([]projections.Arrival, error) {
	members, err := r.members(key)
	if err != nil {
		return nil, err
	}
	all := make([]projections.Arrival, len(members))
	for i, m := range members {
		all[i] = *m.Arrival
	}
	return all, nil
}

// some is a history that must not be empty.
func (r *reader) some(key, what string) ([]projections.Arrival, error) {
	all, err := r.history(key)
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("%s: %w", what, ErrNotThere)
	}
	return all, err
}

// names lists what the histories of a space are about, in ascending order. It goes from name to name, however long
// the histories are.
func (r *reader) names(space projections.Space) ([]string, error) {
	first := string(space) + ":"
	names, err := column[string](r, `WITH RECURSIVE name(key) AS (
		SELECT min(key) FROM touch WHERE key>=?1 AND key<?2
		UNION ALL SELECT (SELECT min(key) FROM touch WHERE key>name.key AND key<?2) FROM name WHERE name.key IS NOT NULL)
		SELECT key FROM name WHERE key IS NOT NULL`, first, string(space)+";") // ';' comes behind ':'
	for i := range names {
		names[i] = strings.TrimPrefix(names[i], first)
	}
	return names, err
}

// holding lists the messages that bring records of a device in a range, in order.
func (r *reader) holding(device events.DeviceID, from, to events.Seq) ([]uint64, error) {
	return column[uint64](r, `SELECT seq FROM push WHERE device=? AND first<=? AND first>? AND last>=? ORDER BY seq`,
		string(device), int64(to), int64(from)-wire.MaxRecords, int64(from))
}

// main is the first message that brings a record as the chain has it that came first; 0 where none does.
func (r *reader) main(device events.DeviceID, at events.Seq) (uint64, error) {
	pushes, err := column[uint64](r, `SELECT seq FROM push WHERE device=? AND first<=? AND first>? AND last>=? AND parted=0 ORDER BY seq LIMIT 1`,
		string(device), int64(at), int64(at)-wire.MaxRecords, int64(at))
	if err != nil || len(pushes) == 0 {
		return 0, err
	}
	return pushes[0], nil
}

// name names a record apart from its hash.
type name struct {
	device events.DeviceID
	seq    events.Seq
}

// named returns the records of a name, in the order of arrival: more than one where a device forked, or where a record
// came again with an earlier receipt.
func (r *reader) named(n name) ([]*arrival, error) {
	pushes, err := r.holding(n.device, n.seq, n.seq)
	if err != nil {
		return nil, err
	}
	var all []*arrival
	for _, push := range pushes {
		arrivals, err := r.push(push)
		if err != nil {
			return nil, err
		}
		a := &arrivals[n.seq-arrivals[0].Record.Seq]
		if !slices.ContainsFunc(all, func(b *arrival) bool { return b.Hash == a.Hash && b.Received <= a.Received }) {
			all = append(all, a)
		}
	}
	return all, nil
}

// corrections lists where the records stand that amend, withdraw or admit one of that name.
func (r *reader) corrections(n name) (all []spot, err error) {
	err = r.each(`SELECT push, place FROM correction WHERE device=? AND seq=? ORDER BY push, place`, []any{string(n.device), int64(n.seq)}, func(rows *sql.Rows) error {
		var s spot
		err := rows.Scan(&s.push, &s.place)
		all = append(all, s)
		return err
	})
	return all, err
}

// group finds all records that name, or are named by, the one of that name, over any number of steps. done is what was
// found before, and grows.
func (r *reader) group(from name, done map[name]bool) (all []*arrival, err error) {
	for queue := []name{from}; len(queue) > 0; queue = queue[1:] {
		n := queue[0]
		if done[n] {
			continue
		}
		done[n] = true
		here, err := r.named(n)
		if err != nil {
			return nil, err
		}
		for _, a := range here {
			all = append(all, a)
			if target, ok, err := events.CorrectionOf(&a.Record); ok && err == nil {
				queue = append(queue, name{target.Device, target.Seq})
			}
		}
		spots, err := r.corrections(n)
		if err != nil {
			return nil, err
		}
		for _, s := range spots {
			a, err := r.at(s)
			if err != nil {
				return nil, err
			}
			queue = append(queue, name{a.Record.Device, a.Record.Seq})
		}
	}
	return all, nil
}
