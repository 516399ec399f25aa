package store

import (
	"context"
	"maps"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// Where two copies of a device have written, the partings of its chain and the office's words on which branch stands decide
// about each record behind the partings, in whichever history that is. So all of them belong to each of those histories: to
// that of the device's fork, and, since the message that brought either there, to every one that a record behind a parting
// belongs to. Of a parting it is the message that begins the branch which belongs there, without any of its records: a touch
// without places.

func forkKey(device events.DeviceID) string { return keyOf(ofFork, string(device)) }

// begins tells whether a message begins a branch, rather than going on with one.
func begins(c *wire.Commit) bool {
	if len(c.Parted) == 0 {
		return false
	}
	p := c.Parted[len(c.Parted)-1]
	return p.Seq == c.Range.From && p.Link != p.Other
}

// partedAt is the first record of a device that branches may not have in common; 0 where it has not forked.
func (r *reader) partedAt(device events.DeviceID) (events.Seq, error) {
	forked, err := column[int](r, `SELECT EXISTS (SELECT 1 FROM touch WHERE key=?)`, forkKey(device))
	if err != nil || forked[0] == 0 {
		return 0, err
	}
	at, err := column[events.Seq](r, `SELECT coalesce(min(parted), 0) FROM push WHERE device=? AND parted>0`, string(device))
	if err != nil {
		return 0, err
	}
	return at[0], nil
}

// dividedSince tells whether anything that decides about branches has come into a history behind the message after.
func (r *reader) dividedSince(key string, after uint64) (bool, error) {
	found, err := column[int](r, `SELECT EXISTS (SELECT 1 FROM touch WHERE key=?1 AND since>?2 AND push IN
		(SELECT push FROM touch WHERE key>=?3 AND key<?4 AND since>?2))`, key, int64(after), string(ofFork)+":", string(ofFork)+";")
	return err == nil && found[0] == 1, err
}

// parted is partedAt, as the engine remembers it.
func (e *engine) parted(device events.DeviceID) (events.Seq, error) {
	at, known := e.forks[device]
	if !known {
		var err error
		if at, err = e.partedAt(device); err != nil {
			return 0, err
		}
		e.forks[device] = at
	}
	return at, nil
}

// branch brings, after all else that a message does to the histories, what decides about branches to where it belongs. That
// may itself have been written by a device that has forked: so it goes on until nothing is missing anywhere.
func (e *engine) branch(c *change) error {
	if device := c.commit.Device; begins(c.commit) {
		delete(e.forks, device)
		if _, err := e.bring(c, forkKey(device), c.place.Seq, nil); err != nil {
			return err
		}
	}
	for {
		where, err := e.decidedBy(c)
		if err != nil {
			return err
		}
		grown := false
		for _, device := range slices.Sorted(maps.Keys(where)) {
			deciding, err := e.touches(forkKey(device), 0)
			if err != nil {
				return err
			}
			for _, key := range slices.Sorted(maps.Keys(where[device])) {
				for _, t := range deciding {
					new, err := e.bring(c, key, t.push, t.places)
					if err != nil {
						return err
					}
					grown = grown || new && isFork(key)
				}
			}
		}
		if !grown {
			return nil
		}
	}
}

func isFork(key string) bool { return parseKey(key).Space == ofFork }

// decidedBy lists, by device, the histories that something is missing in of what decides about its branches, and others: those
// that the message brings records from behind its partings to, and where it brings what decides, all that have such records.
func (e *engine) decidedBy(c *change) (map[events.DeviceID]map[string]bool, error) {
	where := map[events.DeviceID]map[string]bool{}
	add := func(device events.DeviceID, key string) {
		if key == forkKey(device) {
			return
		}
		if where[device] == nil {
			where[device] = map[string]bool{}
		}
		where[device][key] = true
	}
	var device events.DeviceID // of the last record; mostly that of the next
	var at events.Seq
	for key, in := range c.keys {
		for _, a := range in.records {
			if a.Record.Device != device {
				var err error
				if at, err = e.parted(a.Record.Device); err != nil {
					return nil, err
				}
				device = a.Record.Device
			}
			if at > 0 && a.Record.Seq >= at {
				add(a.Record.Device, key)
			}
		}
		if !isFork(key) {
			continue
		}
		forked := events.DeviceID(parseKey(key).Name)
		from, err := e.parted(forked)
		if err != nil {
			return nil, err
		}
		if from == 0 {
			continue
		}
		keys, err := column[string](&e.reader, `SELECT DISTINCT key FROM touch WHERE push IN (SELECT seq FROM push WHERE device=? AND last>=?)`, string(forked), int64(from))
		if err != nil {
			return nil, err
		}
		for _, key := range keys {
			add(forked, key)
		}
	}
	return where, nil
}

// bring writes that records of a message belong to a history, where they do not yet; without places, that the parting does
// which the message tells. It tells whether that is new.
func (e *engine) bring(c *change, key string, push uint64, places []int) (bool, error) {
	blobs, err := column[[]byte](&e.reader, `SELECT places FROM touch WHERE key=?1 AND since>=?2 AND push=?2`, key, int64(push))
	if err != nil {
		return false, err
	}
	before, err := allPlaces(blobs)
	if err != nil {
		return false, err
	}
	places = slices.DeleteFunc(slices.Clone(places), func(p int) bool { return slices.Contains(before, p) })
	if len(blobs) > 0 && len(places) == 0 {
		return false, nil
	}
	// The message at hand may have brought others of the same message there.
	if blobs, err = column[[]byte](&e.reader, `SELECT places FROM touch WHERE key=? AND since=? AND push=?`, key, int64(c.place.Seq), int64(push)); err != nil {
		return false, err
	}
	all, err := allPlaces(blobs)
	if err != nil {
		return false, err
	}
	all = append(all, places...)
	slices.Sort(all)
	if err := e.exec(`INSERT OR REPLACE INTO touch VALUES(?, ?, ?, ?)`, key, int64(c.place.Seq), int64(push), appendPlaces([]byte{}, all)); err != nil {
		return false, err
	}
	return true, e.entered(c, key, push, places, true)
}

// partingOf is what a message that begins a branch says of its device, by its records.
func partingOf(records []arrival) *projections.Arrival {
	a := &records[0].Arrival
	return &projections.Arrival{
		Record:   events.Record{Device: a.Record.Device, Seq: a.Record.Seq},
		Received: a.Received, Stage: a.Stage, Office: a.Office, Commit: a.Commit, Parted: a.Parted,
	}
}

// withForks puts beside records what decides about the branches of their devices.
func (r *reader) withForks(all []projections.Arrival) ([]projections.Arrival, error) {
	devices := map[events.DeviceID]bool{}
	for i := range all {
		devices[all[i].Record.Device] = true
	}
	for _, device := range slices.Sorted(maps.Keys(devices)) {
		more, err := r.history(forkKey(device))
		if err != nil {
			return nil, err
		}
		all = append(all, more...)
	}
	return all, nil
}

// Forks lists the partings of a device's chain, of all devices where it is empty.
func (s *Store) Forks(ctx context.Context, device events.DeviceID) (forks []projections.Fork, err error) {
	err = s.asking(ctx, func(r *reader) error {
		devices := []string{string(device)}
		if device == "" {
			if devices, err = r.names(ofFork); err != nil {
				return err
			}
		}
		for _, name := range devices {
			id := events.DeviceID(name)
			if at, err := r.partedAt(id); err != nil {
				return err
			} else if at == 0 {
				continue
			}
			all, err := r.ofDevice(id)
			if err != nil {
				return err
			}
			for _, f := range projections.Forks(all, projections.Now) {
				if f.Device == id {
					forks = append(forks, f)
				}
			}
		}
		return nil
	})
	return forks, err
}
