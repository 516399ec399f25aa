package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/projections"
	"ullage/projections/witness"
)

// note writes down what the records of a message say of the public log and of their device's clock. One that is stored
// again says the same.
func (e *engine) note(msg *message) error {
	if len(msg.commit.Parted) > 0 {
		return nil // it is said in another chain than the one that came first
	}
	for i := range msg.arrivals {
		a := &msg.arrivals[i]
		if a.Held != "" || a.Content == nil {
			continue
		}
		var err error
		switch b := a.Content.Body.(type) {
		case *events.CheckpointSeen:
			if b.Size >= 0 {
				err = e.exec(`INSERT OR IGNORE INTO seen VALUES(?, ?, ?, ?, ?, ?)`, string(a.Record.Device), int64(a.Record.Seq), a.Hash[:], b.Origin, b.Size, b.Root[:])
			}
		case *events.ClockChecked:
			if b.OffsetMs == nil && b.SteppedMs == nil {
				continue
			}
			err = e.exec(`INSERT OR IGNORE INTO clock VALUES(?, ?, ?, ?, ?)`, string(a.Record.Device), int64(a.Record.Seq), a.Hash[:], b.OffsetMs, b.SteppedMs != nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// Witness tells of each of some records, in their order, what stands about it beside its writer's own word: by the log,
// which answers for as long as this takes, and by what the model holds that devices say.
func (s *Store) Witness(ctx context.Context, log witness.Log, all []projections.Fact) (said []witness.Said, err error) {
	err = s.asking(ctx, func(r *reader) error {
		j := witness.NewJudge(log)
		words := witness.Words{Chains: map[events.DeviceID]witness.Chain{}}
		for device, x := range ranges(all) {
			if words.Chains[device], err = r.chain(j, device, x); err != nil {
				return err
			}
		}
		if words.Guards, err = r.guards(j); err != nil {
			return err
		}
		said, err = j.Tell(all, words)
		return err
	})
	return said, err
}

// ranges are the numbers of the first and the last of some records by device; of one on a branch it is its first parting
// that comes first.
func ranges(all []projections.Fact) map[events.DeviceID][2]events.Seq {
	found := map[events.DeviceID][2]events.Seq{}
	for i := range all {
		r := &all[i].Record
		x, ok := found[r.Device]
		if !ok {
			x = [2]events.Seq{r.Seq, r.Seq}
		}
		first := r.Seq
		if len(all[i].Parted) > 0 {
			first = all[i].Parted[0].Seq
		}
		found[r.Device] = [2]events.Seq{min(x[0], first), max(x[1], r.Seq)}
	}
	return found
}

// errEnough ends a query before its last row.
var errEnough = errors.New("there are rows enough")

// chain is what a device says from its record x[0] up to x[1], and the nearest that counts at either end.
func (r *reader) chain(j *witness.Judge, device events.DeviceID, x [2]events.Seq) (c witness.Chain, err error) {
	err = r.seen(`device=? AND seq<? ORDER BY size DESC`, []any{string(device), int64(x[0])}, func(_ events.DeviceID, s witness.Seen) error {
		ok, err := j.Holds(s.Checkpoint)
		if err == nil && ok {
			c.Seen, err = append(c.Seen, s), errEnough
		}
		return err
	})
	if err != nil && !errors.Is(err, errEnough) {
		return c, err
	}
	err = r.seen(`device=? AND seq BETWEEN ? AND ? ORDER BY seq`, []any{string(device), int64(x[0]), int64(x[1])}, func(_ events.DeviceID, s witness.Seen) error {
		c.Seen = append(c.Seen, s)
		return nil
	})
	if err != nil {
		return c, err
	}
	const clocks = `SELECT seq, offset_ms, new_run FROM clock WHERE device=?1 AND seq BETWEEN
		coalesce((SELECT max(seq) FROM clock WHERE device=?1 AND seq<=?2), ?2) AND coalesce((SELECT min(seq) FROM clock WHERE device=?1 AND seq>?3), ?3) ORDER BY seq`
	err = r.each(clocks, []any{string(device), int64(x[0]), int64(x[1])}, func(rows *sql.Rows) error {
		var k witness.Clock
		var offset sql.Null[int64]
		if err := rows.Scan(&k.Seq, &offset, &k.NewRun); err != nil {
			return err
		}
		if at := events.Millis(offset.V); offset.Valid {
			k.Offset = &at
		}
		c.Clocks = append(c.Clocks, k)
		return nil
	})
	return c, err
}

// guards are those two devices that have checked the most of the log as it is, the centre's own left out. What counts is a
// checkpoint.seen that stands as it was written.
func (r *reader) guards(j *witness.Judge) (all []witness.Guard, err error) {
	now := j.Newest()
	if now.Size == 0 {
		return nil, nil
	}
	for len(all) < 2 {
		first := events.DeviceID("")
		if len(all) > 0 {
			first = all[0].Device
		}
		found := len(all)
		err := r.seen(`origin=? AND size<=? AND device<>? ORDER BY size DESC`, []any{now.Origin, int64(now.Size), string(first)}, func(device events.DeviceID, s witness.Seen) error {
			if r.m.office(device) {
				return nil
			}
			if ok, err := j.Holds(s.Checkpoint); err != nil || !ok {
				return err
			}
			ok, err := r.stands(events.Target{Device: device, Seq: s.Seq, Hash: s.Hash})
			if err == nil && ok {
				all, err = append(all, witness.Guard{Device: device, Size: s.Size}), errEnough
			}
			return err
		})
		switch {
		case err != nil && !errors.Is(err, errEnough):
			return nil, err
		case len(all) == found:
			return all, nil
		}
	}
	return all, nil
}

// seen hands checkpoints that devices say they have seen to fn.
func (r *reader) seen(where string, args []any, fn func(events.DeviceID, witness.Seen) error) error {
	return r.each(`SELECT device, seq, hash, origin, size, root FROM seen WHERE `+where, args, func(rows *sql.Rows) error {
		var device events.DeviceID
		var s witness.Seen
		var hash, root []byte
		if err := rows.Scan(&device, &s.Seq, &hash, &s.Origin, &s.Size, &root); err != nil {
			return err
		}
		if copy(s.Hash[:], hash) != len(s.Hash) || copy(s.Root[:], root) != len(s.Root) {
			return fmt.Errorf("record %d of %s: what it says of the log is damaged in the read model", s.Seq, device)
		}
		return fn(device, s)
	})
}

// stands tells whether a record counts as it was written: neither amended, withdrawn nor held, nor behind a parting.
func (r *reader) stands(t events.Target) (bool, error) {
	n := name{t.Device, t.Seq}
	if at, err := r.partedAt(t.Device); err != nil || at > 0 && t.Seq >= at {
		return false, err
	}
	if spots, err := r.corrections(n); err != nil || len(spots) == 0 {
		return err == nil, err
	}
	group, err := r.appendGroup(nil, n, map[name]bool{})
	if err == nil {
		group, err = r.withForks(group)
	}
	if err != nil {
		return false, err
	}
	h := projections.Resolve(group, projections.Now)
	i := slices.IndexFunc(h.All, func(f projections.Fact) bool { return f.Target() == t })
	return i >= 0 && h.All[i].State == projections.Stands, nil
}

// mostSeen is how many checkpoints Seen returns: the greatest.
const mostSeen = 1000

// Seen returns checkpoints of an origin, of at most so many leaves, that devices say they have checked, the greatest first.
func (s *Store) Seen(ctx context.Context, origin string, most uint64) (all []checkpoint.Checkpoint, err error) {
	err = s.asking(ctx, func(r *reader) error {
		return r.each(`SELECT DISTINCT origin, size, root FROM seen WHERE origin=? AND size<=? ORDER BY size DESC LIMIT ?`, []any{origin, int64(most), mostSeen}, func(rows *sql.Rows) error {
			var c checkpoint.Checkpoint
			var root []byte
			if err := rows.Scan(&c.Origin, &c.Size, &root); err != nil {
				return err
			}
			if copy(c.Root[:], root) == len(c.Root) {
				all = append(all, c)
			}
			return nil
		})
	})
	return all, err
}
