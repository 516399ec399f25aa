package store

import (
	"maps"
	"slices"

	"ullage/events"
	"ullage/projections"
)

// change is what one message does to the histories.
type change struct {
	*message
	keys    map[string]*entering
	entries []projections.Key // those of keys that are of entries of the register
}

// entering is what a message brings into one history.
type entering struct {
	records []*projections.Arrival
	from    events.Millis // none of them counts before; MinMillis where corrections are concerned
}

// enter writes a message, and which histories its records belong to.
func (e *engine) enter(msg *message) (*change, error) {
	if msg.place.Seq > e.seq+1 {
		if err := e.unread(e.seq+1, msg.place.Seq-1, "not in the stream", nil); err != nil {
			return nil, err
		}
	}
	e.seq = msg.place.Seq
	c := &change{message: msg, keys: map[string]*entering{}}
	if msg.unread != nil {
		return c, e.unread(e.seq, e.seq, msg.unread.Error(), msg.data)
	}
	repeats, err := e.repeats(msg)
	if err != nil {
		return nil, err
	}
	low, high := msg.times()
	parted := events.Seq(0)
	if len(msg.commit.Parted) > 0 {
		parted = msg.commit.Parted[0].Seq
	}
	if err := e.exec(`INSERT INTO push VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)`, int64(e.seq), msg.place.Hash[:], string(msg.commit.Device),
		int64(msg.commit.Range.From), int64(msg.commit.Range.To), int64(low), int64(high), int64(parted), msg.data); err != nil {
		return nil, err
	}
	e.own[e.seq] = msg.arrivals
	e.last[msg.commit.Device] = max(e.last[msg.commit.Device], msg.commit.Range.To)
	if err := e.note(msg); err != nil {
		return nil, err
	}
	joined, err := e.join(msg, repeats)
	if err != nil {
		return nil, err
	}
	for _, t := range msg.touches {
		places := t.places
		if len(repeats) > 0 {
			places = slices.DeleteFunc(slices.Clone(places), func(p int) bool { return repeats[p] })
		}
		if joined[t.key] == nil && len(places) > 0 {
			if err := e.touch(c, t.key, e.seq, places, false); err != nil {
				return nil, err
			}
		} else if joined[t.key] != nil {
			joined[t.key][e.seq] = append(joined[t.key][e.seq], places...)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(joined)) {
		if err := e.touchJoined(c, key, joined[key]); err != nil {
			return nil, err
		}
	}
	if err := e.branch(c); err != nil {
		return nil, err
	}
	for name, in := range c.keys {
		key := parseKey(name)
		if !isEntry(key.Space) {
			continue
		}
		c.entries = append(c.entries, key)
		if t, ok := e.tracks.get(key); ok {
			t.add(e.seq, in.records)
		}
	}
	return c, nil
}

// repeats finds the records of a message that the model holds already: a record counts once, however often it is
// stored. A copy that was received earlier, as a healed range's original receipt may tell, counts beside the first.
func (e *engine) repeats(msg *message) (map[int]bool, error) {
	c := msg.commit
	last, known := e.last[c.Device]
	if !known {
		found, err := column[int64](&e.reader, `SELECT coalesce(max(last), 0) FROM push WHERE device=?`, string(c.Device))
		if err != nil {
			return nil, err
		}
		last = events.Seq(found[0])
		e.last[c.Device] = last
	}
	if c.Range.From > last {
		return nil, nil
	}
	pushes, err := e.holding(c.Device, c.Range.From, c.Range.To)
	if err != nil {
		return nil, err
	}
	repeats := map[int]bool{}
	for _, push := range pushes {
		arrivals, err := e.push(push)
		if err != nil {
			return nil, err
		}
		for i := range msg.arrivals {
			a := &msg.arrivals[i]
			at := int(a.Record.Seq) - int(arrivals[0].Record.Seq)
			if at >= 0 && at < len(arrivals) && arrivals[at].Hash == a.Hash && arrivals[at].Received <= a.Received {
				repeats[i] = true
			}
		}
	}
	return repeats, nil
}

// touch writes that records of one message belong to a history.
func (e *engine) touch(c *change, key string, push uint64, places []int, joined bool) error {
	if err := e.exec(`INSERT INTO touch VALUES(?, ?, ?, ?)`, key, int64(c.place.Seq), int64(push), appendPlaces(nil, places)); err != nil {
		return err
	}
	return e.entered(c, key, push, places, joined)
}

// entered notes in the change what touch has written.
func (e *engine) entered(c *change, key string, push uint64, places []int, joined bool) error {
	arrivals, err := e.push(push)
	if err != nil {
		return err
	}
	in := c.keys[key]
	if in == nil {
		in = &entering{from: events.MaxMillis}
		c.keys[key] = in
	}
	for _, p := range places {
		a := &arrivals[p].Arrival
		in.records = append(in.records, a)
		in.from = min(in.from, a.Record.Done, a.Received)
	}
	if len(places) == 0 {
		in.records = append(in.records, partingOf(arrivals))
	}
	if joined {
		in.from = events.MinMillis
	}
	return nil
}

// touchJoined writes which records, of whichever messages, belong to a history from now on that did not before.
func (e *engine) touchJoined(c *change, key string, places map[uint64][]int) error {
	for _, push := range slices.Sorted(maps.Keys(places)) {
		list := places[push]
		if push != c.place.Seq {
			before, err := e.placesOf(key, push)
			if err != nil {
				return err
			}
			list = slices.DeleteFunc(list, func(p int) bool { return slices.Contains(before, p) })
		}
		slices.Sort(list)
		if list = slices.Compact(list); len(list) == 0 {
			continue
		}
		if err := e.touch(c, key, push, list, true); err != nil {
			return err
		}
	}
	return nil
}

// placesOf lists which records of a message belong to a history.
func (e *engine) placesOf(key string, push uint64) (all []int, err error) {
	blobs, err := column[[]byte](&e.reader, `SELECT places FROM touch WHERE key=?1 AND since>=?2 AND push=?2`, key, int64(push))
	if err != nil {
		return nil, err
	}
	return allPlaces(blobs)
}

// allPlaces are those of several touches of one message.
func allPlaces(blobs [][]byte) (all []int, err error) {
	for _, b := range blobs {
		places, err := readPlaces(b)
		if err != nil {
			return nil, err
		}
		all = append(all, places...)
	}
	return all, nil
}

// join finds, where records correct each other, which of them belong to which histories: an amendment that moves a
// record to another machine brings the record along, and a correction belongs wherever its target does. What arrives
// first does not matter.
func (e *engine) join(msg *message, repeats map[int]bool) (map[string]map[uint64][]int, error) {
	var start []name
	for i := range msg.arrivals {
		a := &msg.arrivals[i]
		target, ok, err := events.CorrectionOf(&a.Record)
		if repeats[i] || err != nil || !ok { // a correction that cannot be read corrects nothing; it is held
			continue
		}
		if err := e.exec(`INSERT OR IGNORE INTO correction VALUES(?, ?, ?, ?)`, string(target.Device), int64(target.Seq), int64(a.push), a.place); err != nil {
			return nil, err
		}
		start = append(start, name{target.Device, target.Seq})
	}
	waited, err := column[uint64](&e.reader, `SELECT DISTINCT seq FROM correction WHERE device=? AND seq BETWEEN ? AND ?`,
		string(msg.commit.Device), int64(msg.commit.Range.From), int64(msg.commit.Range.To))
	if err != nil {
		return nil, err
	}
	for _, seq := range waited {
		start = append(start, name{msg.commit.Device, events.Seq(seq)})
	}
	joined := map[string]map[uint64][]int{}
	done := map[name]bool{}
	for _, n := range start {
		group, err := e.group(n, done)
		if err != nil {
			return nil, err
		}
		keys := map[string]bool{}
		for _, a := range group {
			for _, k := range keysOf(&a.Arrival) {
				keys[k.String()] = true
			}
		}
		for key := range keys {
			if joined[key] == nil {
				joined[key] = map[uint64][]int{}
			}
			for _, a := range group {
				joined[key][a.push] = append(joined[key][a.push], a.place)
			}
		}
	}
	return joined, nil
}
