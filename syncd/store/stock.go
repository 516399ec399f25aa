package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// Kept is a message as RECORDS once had it, with the place where it stood.
type Kept struct {
	Place   wire.Place
	Commit  *wire.Commit
	Records [][]byte
}

// Stock are the numbers of the records that the model has from RECORDS, of each device; those of the branches of one that
// has forked by themselves.
func (s *Store) Stock(ctx context.Context) (all, branches map[events.DeviceID]wire.Ranges, err error) {
	err = s.asking(ctx, func(r *reader) error {
		if all, err = stock(ctx, r.q, "parted=0"); err != nil {
			return err
		}
		branches, err = stock(ctx, r.q, "parted>0")
		return err
	})
	return all, branches, err
}

// Newest is when the last message of the model was received, as its gate says; zero where there is none.
func (s *Store) Newest(ctx context.Context) (at events.Millis, err error) {
	err = s.asking(ctx, func(r *reader) error {
		last, err := column[[]byte](r, `SELECT data FROM push ORDER BY seq DESC LIMIT 1`)
		if err != nil || len(last) == 0 {
			return err
		}
		commit, _, err := wire.DecodeStored(last[0])
		if err == nil {
			at = commit.Received
		}
		return err
	})
	return at, err
}

func stock(ctx context.Context, q querier, which string) (map[events.DeviceID]wire.Ranges, error) {
	rows, err := q.QueryContext(ctx, `SELECT device, first, last FROM push WHERE `+which+` ORDER BY device, first`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	all := map[events.DeviceID]wire.Ranges{}
	for rows.Next() {
		var device events.DeviceID
		var r wire.Range
		if err := rows.Scan(&device, &r.From, &r.To); err != nil {
			return nil, err
		}
		list := all[device]
		list.Add(r)
		all[device] = list
	}
	return all, rows.Err()
}

// leftBehind hands on, each open for reading, the models that were set aside, newest first.
func (s *Store) leftBehind(ctx context.Context, fn func(*sql.DB) error) error {
	names, err := s.leftBehindNames()
	if err != nil {
		return err
	}
	for _, name := range names {
		db, err := sql.Open("sqlite", dsn(filepath.Join(s.cfg.Dir, name), "ro", "busy_timeout(10000)"))
		if err == nil {
			err = errors.Join(fn(db), db.Close())
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil { // it was set aside for a reason
			s.cfg.Log.Warn("a read model that was set aside cannot be read", "file", name, "error", err)
		}
	}
	return nil
}

func (s *Store) leftBehindNames() (names []string, err error) {
	entries, err := os.ReadDir(s.cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	for _, e := range entries {
		if number(e.Name(), "aside-%d.db") > 0 {
			names = append(names, e.Name())
		}
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Compare(number(b, "aside-%d.db"), number(a, "aside-%d.db")) })
	return names, nil
}

// KeptStock are the numbers of the records in the models that were set aside, of each device, without those of branches.
func (s *Store) KeptStock(ctx context.Context) (map[events.DeviceID]wire.Ranges, error) {
	all := map[events.DeviceID]wire.Ranges{}
	err := s.leftBehind(ctx, func(db *sql.DB) error {
		one, err := stock(ctx, db, "parted=0")
		for device, ranges := range one {
			list := all[device]
			for _, r := range ranges {
				list.Add(r)
			}
			all[device] = list
		}
		return err
	})
	return all, err
}

// Kept are the messages in the models that were set aside which hold records of a device in a range, by their first record;
// without those of branches.
func (s *Store) Kept(ctx context.Context, device events.DeviceID, r wire.Range) ([]Kept, error) {
	return s.kept(ctx, `device=? AND first<=? AND last>=? AND parted=0`, string(device), int64(r.To), int64(r.From))
}

// KeptBranches are the messages of branches in the models that were set aside that this one has not, by their first record.
func (s *Store) KeptBranches(ctx context.Context) ([]Kept, error) {
	kept, err := s.kept(ctx, `parted>0`)
	if err != nil || len(kept) == 0 {
		return nil, err
	}
	type end struct {
		device events.DeviceID
		seq    events.Seq
		link   events.Hash
	}
	here := map[end]bool{} // the same records are another message here, where they were stored again
	err = s.asking(ctx, func(r *reader) error {
		messages, err := column[[]byte](r, `SELECT data FROM push WHERE parted>0`)
		for _, data := range messages {
			c, _, err := wire.DecodeStored(data)
			if err != nil {
				return err
			}
			here[end{c.Device, c.Seq, c.Link}] = true
		}
		return err
	})
	return slices.DeleteFunc(kept, func(k Kept) bool { return here[end{k.Commit.Device, k.Commit.Seq, k.Commit.Link}] }), err
}

func (s *Store) kept(ctx context.Context, where string, args ...any) (all []Kept, err error) {
	known := map[events.Hash]bool{}
	err = s.leftBehind(ctx, func(db *sql.DB) error {
		var created int64
		if err := db.QueryRowContext(ctx, `SELECT value FROM meta WHERE name='created'`).Scan(&created); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		rows, err := db.QueryContext(ctx, `SELECT seq, data FROM push WHERE `+where+` ORDER BY first, seq`, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			k := Kept{Place: wire.Place{Created: created}}
			var data []byte
			if err := rows.Scan(&k.Place.Seq, &data); err != nil {
				return err
			}
			if k.Place.Hash = wire.HashData(data); known[k.Place.Hash] {
				continue
			}
			known[k.Place.Hash] = true
			if k.Commit, k.Records, err = wire.DecodeStored(data); err != nil {
				continue // a message that could not be read was none of a device's records
			}
			all = append(all, k)
		}
		return rows.Err()
	})
	slices.SortStableFunc(all, func(a, b Kept) int { return cmp.Compare(a.Commit.Range.From, b.Commit.Range.From) })
	return all, err
}

// whole tells whether RECORDS still has every message before the model's place that the model has: a message in the midst
// can be gone while the last one stands.
func (m *model) whole(ctx context.Context, src stream.Stream) (bool, error) {
	gone, err := src.Gone(ctx)
	if err != nil {
		return false, err
	}
	r := reader{m: m, q: m.read, ctx: ctx}
	for _, g := range gone {
		found, err := column[int64](&r, `SELECT seq FROM push WHERE seq BETWEEN ? AND ? LIMIT 1`, int64(g.From), int64(min(uint64(g.To), m.place().Seq)))
		if err != nil || len(found) > 0 {
			return false, err
		}
	}
	return true, nil
}

// Scrub reads the whole stream, and holds it to what the model has of it, message by message: a damaged block can swallow
// messages that the stream goes on counting. Where one is missing or another, Follow builds the model anew, and this one is
// set aside.
func (s *Store) Scrub(ctx context.Context, src stream.Stream) error {
	m, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	upto := m.place().Seq
	rows, err := m.read.QueryContext(ctx, `SELECT seq, hash FROM push WHERE seq<=? ORDER BY seq`, int64(upto))
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	defer rows.Close()
	var seq uint64
	var hash []byte
	next := func() (more bool, err error) {
		if more = rows.Next(); more {
			err = rows.Scan(&seq, &hash)
		}
		return more, errors.Join(err, rows.Err())
	}
	more, err := next()
	bad := func() error {
		s.cfg.Log.Error("the stream does not give a message that the read model has; the model is built anew", "message", seq)
		m.unsound.Store(true)
		s.found(false)
		select {
		case s.doubted <- struct{}{}:
		default:
		}
		return errUnsound
	}
	if err == nil && more {
		err = src.Each(ctx, 0, upto, func(at stream.Message) error {
			is := wire.HashData(at.Data)
			switch {
			case !more || at.Seq < seq: // one that could not be read
				return nil
			case at.Seq > seq, string(hash) != string(is[:]):
				return bad()
			}
			more, err = next()
			return err
		})
	}
	if err == nil && more {
		err = bad()
	}
	if errors.Is(err, errUnsound) {
		return nil
	}
	return err
}

var errUnsound = errors.New("the model has what the stream does not give")
