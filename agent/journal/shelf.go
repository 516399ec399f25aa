package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"sort"
	"sync"

	"ullage/events"
)

// segment is one file of records, or, for a Reader, one sound stretch of a damaged one.
type segment struct {
	file  string
	mark  events.Seq // the number in its name when it was written
	first events.Seq // the first record of the stretch
	cat   catalog    // nil until it is needed; guarded by shelf.mu
	holey *table     // as cat, where there is damage between the records, or a tear behind them, that stays where it is
}

// unlinked tells whether the link frame of a record is among what cannot be read.
func (seg *segment) unlinked(seq events.Seq) bool {
	if seg.holey == nil {
		return false
	}
	_, ok := seg.holey.unlinked[seq]
	return ok
}

// shelf is the segments of a journal in order, and reading from them. Journal and Reader are made of it.
type shelf struct {
	handles
	id identity

	mu     sync.RWMutex // guards what is below
	segs   []*segment   // ascending; the last one has a table
	head   events.Head  // the last record that is kept
	last   []byte       // the last receipt; nil for none
	closed bool

	// mend is called with a segment in which something did not read as it should, and may replace it in segs.
	mend func(seg *segment) error
	// made is called with a rebuilt index, to keep it; nil where nothing may be written.
	made func(seg *segment, t *table, end int64)
}

// badSegment says that a segment must be looked at as a whole. It does not leave the package.
type badSegment struct {
	seg *segment
	why string
}

func (e *badSegment) Error() string { return fmt.Sprintf("%s: %s: %s", ErrDamaged, e.seg.file, e.why) }
func (e *badSegment) Unwrap() error { return ErrDamaged }

// mended runs op again after each damaged segment that it met has been mended.
func (s *shelf) mended(op func() error) error {
	for range 16 {
		err := op()
		var bad *badSegment
		if !errors.As(err, &bad) {
			return err
		}
		if err := s.mend(bad.seg); err != nil {
			return err
		}
	}
	return op()
}

// Head is the end of the chain: the last record that is kept.
func (s *shelf) Head() events.Head {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.head
}

// PublicKey is the key that the journal was created with.
func (s *shelf) PublicKey() []byte { return append([]byte(nil), s.id.key...) }

// LastReceipt is the receipt that was written last; ok is false where none was.
func (s *shelf) LastReceipt() (payload []byte, ok bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return append([]byte(nil), s.last...), s.last != nil
}

// at finds the segment for a record, and the number at which the one after it begins (0 for none).
func (s *shelf) at(seq events.Seq) (seg *segment, next events.Seq, err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed {
		return nil, 0, ErrClosed
	}
	i := sort.Search(len(s.segs), func(i int) bool { return s.segs[i].first > seq })
	if i < len(s.segs) {
		next = s.segs[i].first
	}
	if i == 0 {
		return nil, next, nil
	}
	return s.segs[i-1], next, nil
}

// all gives the segments as they are now.
func (s *shelf) all() ([]*segment, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed {
		return nil, ErrClosed
	}
	return append([]*segment(nil), s.segs...), nil
}

// catalogOf gives a segment's catalog: the one it has, or its index, or one made by reading the segment.
func (s *shelf) catalogOf(seg *segment) (catalog, error) {
	s.mu.RLock()
	cat := seg.cat
	s.mu.RUnlock()
	if cat != nil {
		return cat, nil
	}
	if x, err := s.loadIndex(seg); err == nil {
		return s.keep(seg, x), nil
	}
	sv, err := s.survey(seg)
	if err != nil {
		return nil, err
	}
	if !sv.clean(false) {
		return nil, &badSegment{seg, "it does not read as it was written"}
	}
	t := sv.table()
	t.ready()
	if s.made != nil {
		s.made(seg, t, sv.end)
		if x, err := s.loadIndex(seg); err == nil {
			return s.keep(seg, x), nil
		}
	}
	return s.keep(seg, t), nil
}

func (s *shelf) keep(seg *segment, cat catalog) catalog {
	s.mu.Lock()
	defer s.mu.Unlock()
	if seg.cat == nil {
		seg.cat = cat
	}
	return seg.cat
}

// survey reads a closed segment as a whole.
func (s *shelf) survey(seg *segment) (*survey, error) {
	f, err := s.takeSegment(seg)
	if err != nil {
		return nil, err
	}
	defer s.give(f)
	return surveySegment(f, seg.file, seg.mark, s.id, false)
}

// loadIndex opens the index of a segment and holds it against the segment: one that is of another state of it is
// none.
func (s *shelf) loadIndex(seg *segment) (*index, error) {
	name := baseName(seg.mark, extIndex)
	x, err := openIndex(seg.mark, func(off int64, n int) ([]byte, error) { return s.readAt(name, off, n) })
	if err == nil {
		err = s.checkIndex(seg, x)
	}
	if err != nil {
		s.forget(name)
		return nil, err
	}
	return x, nil
}

// checkIndex compares the last record, and holds that no frame follows the end.
func (s *shelf) checkIndex(seg *segment, x *index) error {
	stale := fmt.Errorf("%w: the index of %s is of another state of it", ErrDamaged, seg.file)
	if x.last.seq > x.base.seq {
		off, err := x.offset(x.last.seq)
		if err != nil {
			return err
		}
		_, at, err := s.recordAt(seg, off, x.last.seq)
		if err != nil {
			return err
		}
		if at != x.last {
			return stale
		}
	}
	f, err := s.takeSegment(seg)
	if err != nil {
		return err
	}
	defer s.give(f)
	_, _, n, err := readFrame(f, seg.mark, x.end)
	if err == nil && n > 0 {
		err = stale
	}
	return err
}

// frameAt reads a frame that must be there. Where it is not the error is a *badSegment.
func (s *shelf) frameAt(seg *segment, off int64) (FrameType, []byte, int, error) {
	f, err := s.takeSegment(seg)
	if err != nil {
		return 0, nil, 0, err
	}
	defer s.give(f)
	t, payload, n, err := readFrame(f, seg.mark, off)
	if err != nil {
		return 0, nil, 0, fmt.Errorf("%s at %d: %w", seg.file, off, err)
	}
	if n == 0 {
		return 0, nil, 0, &badSegment{seg, fmt.Sprintf("no frame at %d", off)}
	}
	return t, payload, n, nil
}

// recordAt reads a record, whose frame is at off, and the place behind it from its link frame.
func (s *shelf) recordAt(seg *segment, off int64, seq events.Seq) ([]byte, place, error) {
	t, payload, n, err := s.frameAt(seg, off)
	if err != nil {
		return nil, place{}, err
	}
	if t == Record && seg.unlinked(seq) {
		return payload, seg.holey.unlinked[seq], nil
	}
	lt, link, _, err := s.frameAt(seg, off+int64(n))
	if err != nil {
		return nil, place{}, err
	}
	if t != Record || lt != linkFrame {
		return nil, place{}, &badSegment{seg, fmt.Sprintf("no record at %d", off)}
	}
	_, at := parseLink(link)
	return payload, at, nil
}

// fetch reads a record by its number, and the place behind it.
func (s *shelf) fetch(seq events.Seq) ([]byte, place, error) {
	if seq == 0 || seq > s.Head().Seq {
		return nil, place{}, fmt.Errorf("%w: %d", ErrNoRecord, seq)
	}
	seg, next, err := s.at(seq)
	if err != nil {
		return nil, place{}, err
	}
	off, _, err := s.offsetIn(seg, next, seq)
	if err != nil {
		return nil, place{}, err
	}
	record, at, err := s.recordAt(seg, off, seq)
	if err == nil && at.seq != seq {
		err = &badSegment{seg, fmt.Sprintf("record %d stands where %d should", at.seq, seq)}
	}
	return record, at, err
}

// offsetIn finds a record in the segment that should have it, and the last record there; next is where the following
// segment begins. The error is a *GapError where no segment has it.
func (s *shelf) offsetIn(seg *segment, next, seq events.Seq) (off int64, last events.Seq, err error) {
	if seg == nil {
		return 0, 0, &GapError{Range{1, next - 1}}
	}
	cat, err := s.catalogOf(seg)
	if err != nil {
		return 0, 0, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	span := cat.span()
	if seq > span.To {
		if next == 0 {
			return 0, 0, fmt.Errorf("%w: %d", ErrNoRecord, seq)
		}
		return 0, 0, &GapError{Range{span.To + 1, next - 1}}
	}
	off, err = cat.offset(seq)
	return off, span.To, badIndex(seg, err)
}

// badIndex turns damage in an index into a reason to look at its segment as a whole, which makes it anew.
func badIndex(seg *segment, err error) error {
	if errors.Is(err, ErrDamaged) {
		return &badSegment{seg, "its index cannot be read"}
	}
	return err
}

// takeSegment opens the file of a segment; give gives it back. Where it is gone the error is a *badSegment.
func (s *shelf) takeSegment(seg *segment) (*handle, error) {
	f, err := s.take(seg.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &badSegment{seg, "it is not there any more"}
	}
	return f, err
}
