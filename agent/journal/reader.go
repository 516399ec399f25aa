package journal

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// Reader reads a journal without its lock, as it stood when it was opened: up to the last whole record, which may be one
// that is just being written and not yet kept. It changes nothing on the disk, so it can be used beside the process that
// writes. Damage is passed over in the same way, but stays where it is.
type Reader struct {
	shelf
	tail *segment // the segment that was the last one
}

// OpenRead opens a journal for reading. Its errors are those of Open, ErrLocked and ErrFull apart.
func OpenRead(cfg Config) (*Reader, error) {
	cfg, err := cfg.valid()
	if err != nil {
		return nil, err
	}
	r := &Reader{}
	r.dirFS = cfg.dirFS()
	r.shelf.mend = r.look
	if err := again(r.load); err != nil {
		r.forgetAll()
		return nil, fmt.Errorf("read the journal in %s: %w", cfg.Dir, err)
	}
	return r, nil
}

// Close lets go of the files.
func (r *Reader) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return ErrClosed
	}
	r.closed = true
	r.forgetAll()
	return nil
}

// again runs a function once more where files changed under it that the writing process renames or cuts.
func again(f func() error) (err error) {
	for range 8 {
		err = f()
		if !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
	}
	return err
}

// load lists the segments and reads the last one.
func (r *Reader) load() error {
	r.forgetAll()
	l, err := r.list()
	if err != nil {
		return err
	}
	exists, err := r.exists(l)
	if err != nil {
		return err
	}
	if !exists {
		return ErrNone
	}
	id, _, err := r.whose(l)
	if err != nil {
		return err
	}
	if r.id.zero() { // read without a lock later on
		r.id = id
	}
	segs, err := r.mendingSegments(&l)
	if err != nil {
		return err
	}
	tail := []*segment(nil)
	head := r.id.start()
	for len(tail) == 0 && len(l.segments) > 0 {
		n := len(l.segments) - 1
		mark := l.segments[n]
		if len(segs) > 0 && segs[len(segs)-1].first > mark {
			break // what is being mended is the last one
		}
		l.segments = l.segments[:n]
		sv, err := r.surveyFile(baseName(mark, extSegment), mark, true)
		if err != nil {
			return err
		}
		if tail = stretches(sv, true); len(tail) > 0 {
			head = sv.place
		}
	}
	for _, mark := range l.segments {
		segs = append(segs, &segment{file: baseName(mark, extSegment), mark: mark, first: mark})
	}
	segs = append(segs, tail...)
	slices.SortStableFunc(segs, func(a, b *segment) int { return cmp.Compare(a.first, b.first) })
	if len(segs) == 0 {
		segs = []*segment{{first: 1, cat: newTable(head)}}
	}
	last := segs[len(segs)-1]
	if t, ok := last.cat.(*table); ok && len(tail) == 0 {
		head = t.last
	}
	receipt, err := r.receiptIn(segs)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.segs, r.tail, r.last = segs, last, receipt
	r.head = events.Head{Device: r.id.device, Seq: head.seq, Link: head.link, Clock: head.clock}
	return nil
}

// mendingSegments gives the stretches of segments whose setting aside was not finished, and takes the segments made of
// them out of the listing.
func (r *Reader) mendingSegments(l *listing) ([]*segment, error) {
	var all []*segment
	for _, name := range l.mending {
		mark, ext, _ := parseName(name)
		last := ext == extMendingLast
		sv, err := r.surveyFile(name, mark, last)
		if err != nil {
			return nil, err
		}
		parts := stretches(sv, last)
		to := mark
		for _, p := range parts {
			to = max(to, p.cat.span().To)
		}
		l.segments = slices.DeleteFunc(l.segments, func(n events.Seq) bool {
			return n >= mark && (n <= to || last && n == to+1)
		})
		all = append(all, parts...)
	}
	return all, nil
}

func (r *Reader) surveyFile(name string, mark events.Seq, last bool) (*survey, error) {
	f, err := r.take(name)
	if err != nil {
		return nil, err
	}
	defer r.give(f)
	return surveySegment(f, name, mark, r.id, last)
}

// stretches makes a segment of each run of records in a file, of the last file also where the last run is empty.
func stretches(sv *survey, last bool) []*segment {
	var segs []*segment
	for i, t := range sv.tables {
		if len(t.recs) > 0 || last && i == len(sv.tables)-1 {
			t.ready()
			seg := &segment{file: sv.file, mark: sv.mark, first: t.base.seq + 1, cat: t}
			if !sv.clean(false) {
				seg.holey = t
			}
			segs = append(segs, seg)
		}
	}
	return segs
}

// receiptIn finds the last receipt: in the last segment, or in its head, or by reading those before it where the head
// is lost.
func (r *Reader) receiptIn(segs []*segment) ([]byte, error) {
	for _, seg := range slices.Backward(segs) {
		if seg.file == "" {
			continue
		}
		t, read := seg.cat.(*table)
		if read && len(t.receipts) > 0 {
			_, payload, _, err := r.frameAt(seg, int64(t.receipts[len(t.receipts)-1].off))
			return slices.Clone(payload), err
		}
		if read && t.base.seq+1 != seg.mark {
			continue
		}
		f, err := r.take(seg.file)
		if err != nil {
			return nil, err
		}
		receipt, found, err := receiptBehind(f, seg, r.id, read)
		r.give(f)
		if err != nil || found {
			return receipt, err
		}
	}
	return nil, nil
}

// receiptBehind reads the last receipt of a segment, or, of one without, that of its head.
func receiptBehind(f disk.File, seg *segment, id identity, headOnly bool) (receipt []byte, found bool, err error) {
	if !headOnly {
		receipt, err = lastReceipt(f, seg.file, seg.mark, id)
		return receipt, receipt != nil, err
	}
	b, err := readUpTo(f, maxHeader, 0)
	if err != nil {
		return nil, false, err
	}
	h, _, err := parseHeader(b, seg.mark)
	return h.receipt, err == nil, nil
}

// look reads a segment that did not read as it should, and takes it as what it is: stretches.
func (r *Reader) look(seg *segment) error {
	r.mu.RLock()
	i, tail := slices.Index(r.segs, seg), r.tail
	r.mu.RUnlock()
	if i < 0 {
		return nil
	}
	if seg == tail {
		return again(r.load)
	}
	r.forget(seg.file)
	sv, err := r.survey(seg)
	var gone *badSegment
	if errors.As(err, &gone) {
		return again(r.load)
	}
	if err != nil {
		return err
	}
	parts := stretches(sv, false)
	r.mu.Lock()
	defer r.mu.Unlock()
	if i = slices.Index(r.segs, seg); i >= 0 {
		r.segs = slices.Replace(slices.Clone(r.segs), i, i+1, parts...)
	}
	return nil
}
