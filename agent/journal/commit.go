package journal

import (
	"errors"
	"fmt"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// commit writes a batch and syncs it, or gives it up. The caller holds writing.
func (j *Journal) commit(b *batch) {
	j.mu.Lock()
	if j.waiting == b {
		j.waiting = nil
	}
	j.flying = b
	err := j.stop
	j.mu.Unlock()
	if err == nil {
		err = j.write(b)
	}
	j.publish(b, err)
	if err == nil {
		j.say()
	}
}

// write puts the frames of a batch behind the last one, and syncs. An error that is not ErrFull means that the
// journal must stop.
func (j *Journal) write(b *batch) error {
	if j.fill(b.bytes) > j.cfg.SegmentBytes && j.hasRecords() {
		if err := j.rotate(); err != nil {
			return err
		}
	}
	active := j.active()
	buf := j.buf[:0]
	if !j.settled {
		buf = appendSettled(buf, active.mark, j.end, j.kept())
	}
	at := j.kept()
	b.offs = make([]uint32, 0, len(b.items))
	for _, it := range b.items {
		b.offs = append(b.offs, uint32(j.end+int64(len(buf))))
		buf = appendItem(buf, active.mark, j.end, it.Type, it.Payload, at, it.at)
		at = it.at
	}
	end := j.end + int64(len(buf))
	size := j.size
	if end+settledLen > size { // room ahead, so that most syncs find blocks and length as they are on the disk
		size = roundUp(end+settledLen, j.room())
		buf = append(buf, make([]byte, size-end)...)
	}
	if cap(buf) <= 4*roomBytes {
		j.buf = buf[:0]
	}
	if _, err := j.f.WriteAt(buf, j.end); err != nil {
		if disk.Full(err) && j.backOut() {
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
		return fmt.Errorf("write: %w", err)
	}
	if err := j.f.Sync(); err != nil {
		return fmt.Errorf("sync: %w", err)
	}
	j.end, j.size, j.settled = end, size, false
	return nil
}

// backOut takes a half done write back: what is behind the end is cut off, and that is synced.
func (j *Journal) backOut() bool {
	if j.f.Truncate(j.end) != nil || j.f.Sync() != nil {
		return false
	}
	j.size = j.end
	return true
}

// say writes, behind a sync, that all before is on the disk. It is not synced itself: where it gets lost with the
// power, all that is lost is the means to tell damage in the last write from a tear. Where others wait, the next write
// says it.
func (j *Journal) say() {
	j.mu.RLock()
	busy := j.waiting != nil
	j.mu.RUnlock()
	if busy || j.settled || j.end+settledLen > j.size {
		return
	}
	b := appendSettled(nil, j.active().mark, j.end, j.kept())
	if _, err := j.f.WriteAt(b, j.end); err == nil {
		j.end += settledLen
		j.settled = true
	}
}

// publish tells everybody what became of a batch.
func (j *Journal) publish(b *batch, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.flying = nil
	if err == nil {
		j.accept(b)
		b.done = true
		return
	}
	if j.stop == nil && !errors.Is(err, ErrFull) {
		j.stop = fmt.Errorf("%w: %w", ErrStopped, err)
	}
	if j.stop != nil {
		err = j.stop
	}
	j.failed++
	j.failure = err
	j.next = placeOf(j.head)
	b.done, b.err = true, err
	if w := j.waiting; w != nil { // it builds on what was given up
		w.done, w.err = true, err
		j.waiting = nil
	}
}

// accept makes what was written part of the journal. The caller holds mu.
func (j *Journal) accept(b *batch) {
	t := j.segs[len(j.segs)-1].cat.(*table)
	at := t.last
	for i, it := range b.items {
		switch it.Type {
		case Record:
			at = it.at
			it.entry.off = b.offs[i]
			t.add(it.entry, at)
		case Receipt:
			j.last = append([]byte(nil), it.Payload...)
			fallthrough
		default:
			t.addNote(it.Type, note{at.seq, b.offs[i], at.link})
		}
	}
	j.head = j.headAt(at)
}

// rotate closes the last segment and begins another. The order is what makes it safe: all of the old segment is on the
// disk before there is another, so nothing at its end can be a tear; the new one is whole and synced before it gets
// its name; and what then is done to the old one can be done without.
func (j *Journal) rotate() error {
	old := j.active()
	if !j.settled {
		if _, err := j.f.WriteAt(appendSettled(nil, old.mark, j.end, j.kept()), j.end); err != nil {
			if disk.Full(err) && j.backOut() {
				return fmt.Errorf("%w: %w", ErrFull, err)
			}
			return fmt.Errorf("write: %w", err)
		}
	}
	if err := j.f.Sync(); err != nil {
		return fmt.Errorf("sync: %w", err)
	}
	if !j.settled {
		j.end += settledLen
		j.size, j.settled = max(j.size, j.end), true
	}
	w, err := j.newSegment(header{identity: j.id, base: j.kept(), receipt: j.last})
	if err != nil {
		return fullOr(err)
	}
	end, err := w.finish(j.room())
	if err != nil {
		w.abandon()
		return fullOr(err)
	}
	if err := w.place(); err != nil {
		return fmt.Errorf("name a segment: %w", err)
	}
	if err := j.syncDir(); err != nil {
		return fmt.Errorf("sync the directory: %w", err)
	}
	f, err := j.openWrite(w.name())
	if err != nil {
		return fmt.Errorf("open a segment: %w", err)
	}
	j.closeSegment(old)
	j.f, j.end, j.size, j.settled = f, end, max(end, j.room()), true
	t := newTable(j.kept())
	j.mu.Lock()
	j.segs = append(j.segs, &segment{file: w.name(), mark: w.mark, first: w.mark, cat: t})
	j.mu.Unlock()
	return nil
}

// closeSegment cuts off the room behind a segment and writes its index. Whatever fails here can be done without.
func (j *Journal) closeSegment(seg *segment) {
	_ = j.f.Truncate(j.end)
	_ = j.f.Close()
	t := seg.cat.(*table)
	j.writeIndex(seg, t, j.end)
	cat := catalog(nil)
	if x, err := j.loadIndex(seg); err == nil {
		cat = x
	}
	j.mu.Lock()
	seg.cat = cat
	j.mu.Unlock()
}

// writeIndex leaves an index beside a segment, if it can. It is not synced: its pages have sums.
func (j *Journal) writeIndex(seg *segment, t *table, end int64) {
	name := baseName(seg.mark, extIndex)
	j.forget(name)
	f, err := j.create(name + extTemp)
	if err != nil {
		return
	}
	_, err = f.WriteAt(encodeIndex(seg.mark, t, end), 0)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = j.rename(name+extTemp, name)
	}
	if err != nil {
		_ = j.remove(name + extTemp)
	}
}

// active is the last segment. The caller holds writing, under which alone it changes.
func (j *Journal) active() *segment {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.segs[len(j.segs)-1]
}

// kept is the place behind the last record that is kept.
func (j *Journal) kept() place {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return placeOf(j.head)
}

func (j *Journal) hasRecords() bool {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.segs[len(j.segs)-1].cat.span().Len() > 0
}

// fill is how long the last segment would be with so many bytes more.
func (j *Journal) fill(bytes int64) int64 { return j.end + bytes + 2*settledLen }

// room is how much is written ahead.
func (j *Journal) room() int64 { return min(roomBytes, j.cfg.SegmentBytes) }

func placeOf(h events.Head) place { return place{h.Seq, h.Clock, h.Link} }

func roundUp(n, to int64) int64 { return (n + to - 1) / to * to }

// fullOr makes an error an ErrFull where it came for want of room.
func fullOr(err error) error {
	if disk.Full(err) {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}
