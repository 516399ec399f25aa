package publog

import (
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// errEntry is in the error about an entry that does not follow from the log before it.
var errEntry = errors.New("an entry that does not follow")

// arrival is a message of RECORDS, as the log needs it.
type arrival struct {
	place    wire.Place
	device   events.DeviceID
	received events.Millis
	first    events.Seq
	leaves   []events.Hash
	quiet    []bool // which records are no news; nil: none of them
}

const (
	longest = wire.MaxRecords // leaves of a stretch, at most

	// looked is how many records a message may have that are looked at for whether they are news. Larger pushes are
	// a device's work, and reading every record of a backlog would take longer than all else that is done here.
	looked = 2

	// noDevice stands in an entry for a message whose subject names none.
	noDevice = events.DeviceID("unknown")
)

// readArrival reads a message. One that is no stored push brings no leaves: there are no records in it to hash. Its
// place is covered all the same.
func readArrival(m stream.Message, created int64) *arrival {
	a := &arrival{place: m.Place(created)}
	c, records, err := wire.DecodeStored(m.Data)
	if err != nil {
		if a.device, err = wire.ParsePush(m.Subject); err != nil {
			a.device = noDevice
		}
		return a
	}
	a.device, a.received, a.first = c.Device, c.Received, c.Range.From
	if r, err := wire.DecodeReceipt(c.Original); err == nil { // it was there before
		a.received = r.Received
	}
	a.leaves = make([]events.Hash, len(records))
	for i, raw := range records {
		a.leaves[i] = events.HashRecord(raw)
	}
	if len(records) <= looked {
		a.quiet = make([]bool, len(records))
		for i, raw := range records {
			r, err := events.DecodeRecord(raw)
			a.quiet[i] = err == nil && (r.Kind == (*events.CheckpointSeen)(nil).Kind() || r.Kind == (*events.ClockChecked)(nil).Kind())
		}
	}
	return a
}

// draft is entries on their way into the tree.
type draft struct {
	t      *tree
	edge   edge
	news   uint64
	list   []wire.LogEntry
	leaves int
	stored []tlog.Hash                    // for the file of hashes
	ends   map[events.DeviceID]events.Seq // behind the last record of a device that the list brings
}

func (t *tree) draft() *draft {
	return &draft{t: t, edge: t.edge.clone(), news: t.news, ends: map[events.DeviceID]events.Seq{}}
}

// fits tells whether another entry of so many leaves goes into one message. The bounds of wire keep that below its
// greatest size: a leaf takes at most 44 bytes, with a run of its own, and what else there is of an entry at most 192.
func (d *draft) fits(leaves int) bool {
	return len(d.list) < wire.MaxLogEntries && d.leaves+leaves <= wire.MaxLogLeaves
}

// bring adds the entry of a message: those of its records that have no leaf yet get one.
func (d *draft) bring(a *arrival) error {
	e := wire.LogEntry{Place: a.place, Device: a.device, Received: a.received}
	for i, leaf := range a.leaves {
		seq := a.first + events.Seq(i)
		known, err := d.has(a.device, seq, leaf)
		if err != nil {
			return err
		}
		if known {
			continue
		}
		if n := len(e.Runs); n > 0 && e.Runs[n-1].First+events.Seq(len(e.Runs[n-1].Leaves)) == seq {
			e.Runs[n-1].Leaves = append(e.Runs[n-1].Leaves, leaf)
		} else {
			e.Runs = append(e.Runs, wire.LogRun{First: seq, Leaves: append(make([]events.Hash, 0, len(a.leaves)-i), leaf)})
		}
		d.stored = d.edge.add(leaf, d.stored)
		if a.quiet == nil || !a.quiet[i] {
			d.news = d.edge.size
		}
	}
	e.Size, e.Root, e.News = d.edge.size, d.edge.root(), d.news
	d.add(e)
	return nil
}

// take adds an entry that was made elsewhere. It must begin where the draft ends, and its root must be that of the
// leaves; its error then wraps errEntry, and the draft is as it was.
func (d *draft) take(e wire.LogEntry) error {
	if e.First() != d.edge.size || e.News < d.news {
		return fmt.Errorf("%w: it begins behind %d leaves, not %d, with news up to %d, not %d", errEntry, e.First(), d.edge.size, e.News, d.news)
	}
	next, stored := d.edge.clone(), len(d.stored)
	for _, r := range e.Runs {
		for _, leaf := range r.Leaves {
			d.stored = next.add(leaf, d.stored)
		}
	}
	if root := next.root(); root != e.Root {
		d.stored = d.stored[:stored]
		return fmt.Errorf("%w: the root of %d leaves is %s, not %s", errEntry, e.Size, root, e.Root)
	}
	d.edge, d.news = next, e.News
	d.add(e)
	return nil
}

func (d *draft) add(e wire.LogEntry) {
	d.list = append(d.list, e)
	d.leaves += e.Leaves()
	for _, r := range e.Runs {
		d.ends[e.Device] = max(d.ends[e.Device], r.First+events.Seq(len(r.Leaves)))
	}
}

// has tells whether a record has its leaf, in the tree or in the draft.
func (d *draft) has(device events.DeviceID, seq events.Seq, leaf events.Hash) (bool, error) {
	if _, ok, err := d.t.find(device, seq, leaf); ok || err != nil {
		return ok, err
	}
	if seq >= d.ends[device] {
		return false, nil
	}
	for _, e := range d.list {
		if e.Device != device {
			continue
		}
		for _, r := range e.Runs {
			if seq >= r.First && seq-r.First < events.Seq(len(r.Leaves)) && r.Leaves[seq-r.First] == leaf {
				return true, nil
			}
		}
	}
	return false, nil
}

// spot is where a frame stands, and the size of the log after it.
type spot struct {
	off  int64
	size uint64
}

// tree is the log as it stands in the files: what all its entries come to.
type tree struct {
	origin  string
	entries *entries
	hashes  hashes

	edge  edge
	root  events.Hash
	news  uint64
	place wire.Place // of the last entry
	index index
	spots []spot
	empty map[wire.Place]bool // places of the entries behind the last leaf
}

// size is the number of leaves.
func (t *tree) size() uint64 { return t.edge.size }

// find is the index of a record's leaf.
func (t *tree) find(device events.DeviceID, seq events.Seq, leaf events.Hash) (uint64, bool, error) {
	for _, i := range t.index.leaves(device, seq) {
		h, err := t.hashes.leaf(i)
		if err != nil {
			return 0, false, err
		}
		if h == leaf {
			return i, true, nil
		}
	}
	return 0, false, nil
}

// grow makes what a draft of this tree brings a part of it; it stands in the frame at off.
func (t *tree) grow(d *draft, off int64) {
	at := t.edge.size
	for _, e := range d.list {
		if len(e.Runs) > 0 {
			clear(t.empty)
		} else {
			t.empty[e.Place] = true
		}
		for _, r := range e.Runs {
			t.index.add(e.Device, stretch{r.First, at, uint32(len(r.Leaves))})
			at += uint64(len(r.Leaves))
		}
	}
	last := d.list[len(d.list)-1]
	t.edge, t.news, t.root, t.place = d.edge, d.news, last.Root, last.Place
	t.spots = append(t.spots, spot{off, t.edge.size})
}

// rootOf is the root of the first size leaves.
func (t *tree) rootOf(size uint64) (events.Hash, error) {
	if size > t.edge.size {
		return events.Hash{}, fmt.Errorf("%w: %d leaves, it has %d", ErrSize, size, t.edge.size)
	}
	if size == t.edge.size {
		return t.root, nil
	}
	h, err := tlog.TreeHash(int64(size), t.hashes)
	return events.Hash(h), err
}

// message reads the frame of a spot.
func (t *tree) message(i int) (frame, *wire.LogMessage, error) {
	f, err := t.entries.at(t.spots[i].off)
	if err != nil {
		return frame{}, nil, fmt.Errorf("entries of the public log: %w", err)
	}
	m, err := wire.DecodeLog(f.message)
	if err != nil {
		return frame{}, nil, fmt.Errorf("entries of the public log: byte %d: %w", t.spots[i].off, err)
	}
	return f, m, nil
}

// reaching is the first entry after which the log has size leaves or more.
func (t *tree) reaching(size uint64) (wire.LogEntry, error) {
	i, _ := slices.BinarySearchFunc(t.spots, size, func(s spot, size uint64) int {
		if s.size < size {
			return -1
		}
		return 1
	})
	if i == len(t.spots) {
		return wire.LogEntry{}, fmt.Errorf("%w: %d leaves, it has %d", ErrSize, size, t.edge.size)
	}
	_, m, err := t.message(i)
	if err != nil {
		return wire.LogEntry{}, err
	}
	for _, e := range m.Entries {
		if e.Size >= size {
			return e, nil
		}
	}
	return wire.LogEntry{}, fmt.Errorf("entries of the public log: byte %d: not up to %d leaves", t.spots[i].off, size)
}

// openTree reads the files of an epoch. It computes every root again, and makes the file of hashes good. damage says
// what of the file of entries it has set aside; empty where all is well.
func openTree(path, origin string) (t *tree, damage string, err error) {
	t = &tree{origin: origin, root: (&edge{}).root(), index: index{}, empty: map[wire.Place]bool{}}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("public log: %s: %w", path, err), t.close())
		}
	}()
	if t.entries, err = openEntries(path + ".entries"); err != nil {
		return t, "", err
	}
	if t.hashes.f, err = openHashes(path + ".hashes"); err != nil {
		return t, "", err
	}
	var bad error
	err = t.entries.scan(func(off int64, f frame) error {
		bad = t.load(off, f)
		return bad
	})
	if err != nil && !errors.Is(err, errEntry) {
		return t, "", err
	}
	rest, frames, err := t.entries.rest()
	if err != nil {
		return t, "", err
	}
	switch {
	case rest == 0:
	case bad == nil && !frames: // torn: it had not been told to anybody
		if err := t.entries.cut(); err != nil {
			return t, "", err
		}
	default:
		at := t.entries.end
		kept, err := t.entries.setAside(path + ".entries")
		if err != nil {
			return t, "", err
		}
		damage = fmt.Sprintf("%d bytes from byte %d on; they are kept in %s", rest, at, kept)
		if bad != nil {
			damage += ": " + bad.Error()
		}
	}
	return t, damage, t.hashes.cut(t.edge.size)
}

// load takes a frame in. Its error wraps errEntry where what is in it does not follow.
func (t *tree) load(off int64, f frame) error {
	m, err := wire.DecodeLog(f.message)
	if err != nil {
		return fmt.Errorf("%w: %w", errEntry, err)
	}
	if m.Origin != t.origin {
		return fmt.Errorf("%w: it is of %q", errEntry, m.Origin)
	}
	d := t.draft()
	for _, e := range m.Entries {
		if err := d.take(e); err != nil {
			return err
		}
	}
	if err := t.hashes.makeGood(tlog.StoredHashCount(int64(t.edge.size)), d.stored); err != nil {
		return err
	}
	t.grow(d, off)
	return nil
}

// write puts a draft on the disk. grow is what follows.
func (t *tree) write(d *draft, at uint64) (off int64, err error) {
	m := wire.LogMessage{Origin: t.origin, Entries: d.list}
	if off, err = t.entries.append(frame{at, m.Encode()}); err != nil {
		return 0, fmt.Errorf("entries of the public log: %w", err)
	}
	return off, t.hashes.write(tlog.StoredHashCount(int64(t.edge.size)), d.stored)
}

func (t *tree) close() error {
	var err error
	if t.entries != nil && t.entries.f != nil {
		err = t.entries.f.Close()
	}
	if t.hashes.f != nil {
		err = errors.Join(err, t.hashes.f.Close())
	}
	return err
}
