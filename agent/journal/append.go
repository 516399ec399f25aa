package journal

import (
	"fmt"
	"slices"

	"ullage/events"
)

// batch is frames that share one write and one sync.
type batch struct {
	// Guarded by shelf.mu until the batch is taken to be written; not changed from then on.
	items []batchItem
	bytes int64
	last  place // behind the last record

	// Guarded by Journal.writing.
	offs []uint32 // where each item was written
	done bool
	err  error
}

type batchItem struct {
	Frame
	at    place // behind it
	entry entry // of a record, but for where it stands
}

// Append writes frames behind the head and returns when they are on the disk.
//
// build is called with the head after which they will stand; no other Append builds until it returns. Records must be
// of the journal's device and go on from that head without a gap; else the error is an ErrFrame, as for frames that
// are empty, too large, or of another type than Record, Seal and Receipt. Seals and receipts stand behind the record
// before them, or behind the head. build may read the journal, but not append to it. An error from build is returned
// as it is. After either nothing is written. build may return no frames: then Append only returns the head.
//
// The head that is returned is the one behind these frames; with nil they are kept. Appends that are called at the
// same time share one write and one sync.
//
// With ErrFull nothing of it was kept, nor will be, and the journal goes on: the next Append may find room. With
// ErrStopped the frames may or may not be on the disk, and this and every later Append fails: the journal must be opened
// again to see how far it goes. A failed sync is not retried, because after one the system no longer knows what is on the disk.
// ErrClosed means that the journal was closed before anything was written.
func (j *Journal) Append(build func(head events.Head) ([]Frame, error)) (events.Head, error) {
	b, head, err := j.line(build)
	if err != nil {
		return events.Head{}, err
	}
	if b == nil {
		return head, nil
	}
	if err := j.settle(b); err != nil {
		return events.Head{}, err
	}
	return head, nil
}

// line builds the frames and puts them into the batch that waits, or into a new one. The batch is nil where there are
// no frames.
func (j *Journal) line(build func(head events.Head) ([]Frame, error)) (*batch, events.Head, error) {
	j.order.Lock()
	defer j.order.Unlock()
	j.mu.RLock()
	b := j.waiting
	large := b != nil && b.bytes > maxAppend/4
	j.mu.RUnlock()
	if large {
		if err := j.settle(b); err != nil {
			return nil, events.Head{}, err
		}
	}
	j.mu.RLock()
	at, failed, stop := j.next, j.failed, j.stop
	if stop == nil && j.closed {
		stop = ErrClosed
	}
	j.mu.RUnlock()
	if stop != nil {
		return nil, events.Head{}, stop
	}
	frames, err := build(j.headAt(at))
	if err != nil {
		return nil, events.Head{}, err
	}
	items, bytes, last, err := j.check(at, frames)
	if err != nil {
		return nil, events.Head{}, err
	}
	if len(items) == 0 {
		return nil, j.headAt(at), nil
	}

	j.mu.Lock()
	defer j.mu.Unlock()
	switch {
	case j.stop != nil:
		return nil, events.Head{}, j.stop
	case j.failed != failed: // what these frames build on was given up while they were built
		return nil, events.Head{}, j.failure
	}
	if b = j.waiting; b == nil {
		b = &batch{}
		j.waiting = b
	}
	b.items = append(b.items, items...)
	b.bytes += bytes
	b.last = last
	j.next = last
	return b, j.headAt(last), nil
}

func (j *Journal) headAt(p place) events.Head {
	return events.Head{Device: j.id.device, Seq: p.seq, Link: p.link, Clock: p.clock}
}

// check holds frames to what may stand behind at.
func (j *Journal) check(at place, frames []Frame) (items []batchItem, bytes int64, last place, err error) {
	bad := func(i int, format string, a ...any) ([]batchItem, int64, place, error) {
		why := fmt.Errorf(format, a...)
		return nil, 0, place{}, fmt.Errorf("%w: %s, %d of %d: %w", ErrFrame, frames[i].Type, i+1, len(frames), why)
	}
	items = make([]batchItem, 0, len(frames))
	for i, f := range frames {
		it := batchItem{Frame: f}
		switch f.Type {
		case Record:
			r, err := events.DecodeRecord(f.Payload)
			switch {
			case err != nil:
				return bad(i, "%w", err)
			case r.Device != j.id.device:
				return bad(i, "it is of device %s, the journal of %s", r.Device, j.id.device)
			case r.Seq != at.seq+1:
				return bad(i, "its number is %d, the next one is %d", r.Seq, at.seq+1)
			}
			it.entry = entry{id: r.ID, key: r.Key}
			at = at.next(f.Payload, r.Clock)
			bytes += linkLen
		case Seal, Receipt:
			if len(f.Payload) == 0 || len(f.Payload) > MaxPayload {
				return bad(i, "%d bytes; 1 to %d are possible", len(f.Payload), MaxPayload)
			}
		default:
			return bad(i, "no such type: %d", f.Type)
		}
		bytes += frameHead + int64(len(f.Payload))
		it.at = at
		items = append(items, it)
	}
	if bytes > maxAppend {
		return nil, 0, place{}, fmt.Errorf("%w: %d bytes at once, at most %d are possible", ErrFrame, bytes, int64(maxAppend))
	}
	return items, bytes, at, nil
}

// settle returns when a batch is on the disk or given up. The first who comes writes it; the others find it done.
func (j *Journal) settle(b *batch) error {
	j.writing.Lock()
	defer j.writing.Unlock()
	if !b.done {
		j.commit(b)
	}
	return b.err
}

// has tells whether one of the batch's records is meant.
func (b *batch) has(is func(entry) bool) bool {
	return slices.ContainsFunc(b.items, func(it batchItem) bool { return it.Type == Record && is(it.entry) })
}
