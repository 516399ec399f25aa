package journal

import (
	"bytes"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
)

// Record gives the bytes of a record. Its error is ErrNoRecord beyond the head and for 0, a *GapError (an ErrGap)
// where damage has taken the record.
func (s *shelf) Record(seq events.Seq) (record []byte, err error) {
	err = s.mended(func() error {
		record, _, err = s.fetch(seq)
		return err
	})
	if err != nil {
		return nil, err
	}
	return record, nil
}

// LinkAt is link[seq] of the device's chain, link[0] included. It is also known at the end of a gap, where the chain
// goes on. Its error is ErrNoRecord beyond the head, a *GapError inside a gap.
func (s *shelf) LinkAt(seq events.Seq) (link events.Hash, err error) {
	if seq == 0 {
		return s.id.start().link, nil
	}
	err = s.mended(func() error {
		at, err := place{}, error(nil)
		_, at, err = s.fetch(seq)
		link = at.link
		if !errors.Is(err, ErrGap) {
			return err
		}
		known, ok, linkErr := s.linkBefore(seq + 1)
		if linkErr != nil {
			return linkErr
		}
		if !ok {
			return err
		}
		link = known
		return nil
	})
	if err != nil {
		return events.Hash{}, err
	}
	return link, nil
}

// linkBefore is the link in front of a segment that begins with first.
func (s *shelf) linkBefore(first events.Seq) (events.Hash, bool, error) {
	seg, _, err := s.at(first)
	if err != nil || seg == nil || seg.first != first {
		return events.Hash{}, false, err
	}
	cat, err := s.catalogOf(seg)
	if err != nil {
		return events.Hash{}, false, err
	}
	return cat.baseLink(), true, nil
}

// Scan gives fn the records from the given number on, in order, up to the head at the time of the call. The bytes are
// fn's to keep. An error from fn ends it and is returned as it is. Where damage has taken records the error is a
// *GapError (an ErrGap); whoever wants what comes after it scans on from GapError.To + 1.
func (s *shelf) Scan(from events.Seq, fn func(seq events.Seq, record []byte) error) error {
	next, to := max(from, 1), s.Head().Seq
	return s.mended(func() error {
		for next <= to {
			seg, after, err := s.at(next)
			if err != nil {
				return err
			}
			off, last, err := s.offsetIn(seg, after, next)
			if err != nil {
				return err
			}
			if err := s.scanSegment(seg, off, &next, min(last, to), fn); err != nil {
				return err
			}
		}
		return nil
	})
}

// scanSegment reads the records *next to last, the first of which stands at off.
func (s *shelf) scanSegment(seg *segment, off int64, next *events.Seq, last events.Seq,
	fn func(events.Seq, []byte) error) error {
	f, err := s.takeSegment(seg)
	if err != nil {
		return err
	}
	defer s.give(f)
	size, err := f.Size()
	if err != nil {
		return err
	}
	w := window{f: f, size: size}
	for ; *next <= last; *next++ {
		if seg.holey != nil { // what stands between the records may be anything
			if off, err = seg.holey.offset(*next); err != nil {
				return err
			}
		}
		var record []byte
		if record, off, err = w.record(seg, off, *next); err != nil {
			return err
		}
		if err := fn(*next, record); err != nil {
			return err
		}
	}
	return nil
}

// record reads the next record from off on, which must be that number, and tells where its link frame ends.
func (w *window) record(seg *segment, off int64, seq events.Seq) ([]byte, int64, error) {
	for {
		t, payload, n, err := w.frame(seg, off)
		if err != nil {
			return nil, 0, err
		}
		off += int64(n)
		if t != Record {
			continue
		}
		record := bytes.Clone(payload)
		if seg.unlinked(seq) {
			return record, off, nil
		}
		t, payload, n, err = w.frame(seg, off)
		if err != nil {
			return nil, 0, err
		}
		if t != linkFrame || parsePlace(payload).seq != seq {
			return nil, 0, &badSegment{seg, fmt.Sprintf("no link frame of record %d at %d", seq, off)}
		}
		return record, off + int64(n), nil
	}
}

// frame reads a frame that must be there. The payload is good until the next call.
func (w *window) frame(seg *segment, off int64) (FrameType, []byte, int, error) {
	b, err := w.at(off, frameHead)
	if n := frameLen(b); err == nil && n > frameHead {
		b, err = w.at(off, n)
	}
	if err != nil {
		return 0, nil, 0, fmt.Errorf("%s at %d: %w", seg.file, off, err)
	}
	t, payload, n := parseFrame(b, seg.mark, off)
	if n == 0 {
		return 0, nil, 0, &badSegment{seg, fmt.Sprintf("no frame at %d", off)}
	}
	return t, payload, n, nil
}

// ByID finds the record with an identifier, the newest where it was given twice. Records that damage has taken are not
// found.
func (s *shelf) ByID(id events.RecordID) (seq events.Seq, record []byte, ok bool, err error) {
	return s.lookup(
		func(c catalog) ([]events.Seq, error) { return c.withID(id) },
		func(r *events.Record) bool { return r.ID == id })
}

// ByKey finds the record with a sender's own key, the newest where it was given twice; an empty key is none. Records
// that damage has taken are not found.
func (s *shelf) ByKey(key string) (seq events.Seq, record []byte, ok bool, err error) {
	if key == "" {
		return 0, nil, false, nil
	}
	return s.lookup(
		func(c catalog) ([]events.Seq, error) { return c.withKey(key) },
		func(r *events.Record) bool { return r.Key == key })
}

func (s *shelf) lookup(with func(catalog) ([]events.Seq, error),
	is func(*events.Record) bool) (seq events.Seq, record []byte, ok bool, err error) {
	err = s.mended(func() error {
		segs, err := s.all()
		if err != nil {
			return err
		}
		for _, seg := range slices.Backward(segs) {
			seqs, err := s.candidates(seg, with)
			if err != nil {
				return err
			}
			for _, n := range slices.Backward(seqs) {
				b, _, err := s.fetch(n)
				if err != nil {
					return err
				}
				r, err := events.DecodeRecord(b)
				if err != nil {
					return &badSegment{seg, err.Error()}
				}
				if is(&r) {
					seq, record, ok = n, b, true
					return nil
				}
			}
		}
		return nil
	})
	if err != nil {
		return 0, nil, false, err
	}
	return seq, record, ok, nil
}

func (s *shelf) candidates(seg *segment, with func(catalog) ([]events.Seq, error)) ([]events.Seq, error) {
	cat, err := s.catalogOf(seg)
	if err != nil {
		return nil, err
	}
	t, inMemory := cat.(*table)
	if inMemory {
		s.mu.Lock()
		defer s.mu.Unlock()
		t.ready()
		return with(t)
	}
	seqs, err := with(cat)
	return seqs, badIndex(seg, err)
}

// Seals gives the seals that stand behind the records from to to, in order. A seal stands behind the record that was
// the last one when it was written.
func (s *shelf) Seals(from, to events.Seq) ([][]byte, error) {
	var seals [][]byte
	err := s.notes(Seal, from, to, func(_ events.Seq, payload []byte) error {
		seals = append(seals, payload)
		return nil
	})
	return seals, err
}

// Receipts gives fn every receipt in order, with the number of the record behind which it stands. An error from fn
// ends it and is returned as it is.
func (s *shelf) Receipts(fn func(at events.Seq, payload []byte) error) error {
	return s.notes(Receipt, 0, s.Head().Seq, fn)
}

func (s *shelf) notes(t FrameType, from, to events.Seq, fn func(events.Seq, []byte) error) error {
	var found []struct {
		note
		payload []byte
	}
	err := s.mended(func() error {
		found = found[:0]
		segs, err := s.all()
		if err != nil {
			return err
		}
		for i, seg := range segs {
			if i+1 < len(segs) && segs[i+1].first <= from || seg.first > to+1 {
				continue
			}
			ns, err := s.notesOf(seg, t)
			if err != nil {
				return err
			}
			for _, n := range ns {
				if n.seq < from || n.seq > to {
					continue
				}
				ft, payload, _, err := s.frameAt(seg, int64(n.off))
				if err != nil {
					return err
				}
				if ft != t {
					return &badSegment{seg, fmt.Sprintf("no %s at %d", t, n.off)}
				}
				found = append(found, struct {
					note
					payload []byte
				}{n, payload})
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, f := range found {
		if err := fn(f.seq, f.payload); err != nil {
			return err
		}
	}
	return nil
}

func (s *shelf) notesOf(seg *segment, t FrameType) ([]note, error) {
	cat, err := s.catalogOf(seg)
	if err != nil {
		return nil, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	ns, err := cat.notes(t)
	return slices.Clone(ns), badIndex(seg, err)
}

// Gaps gives the ranges of records that are missing, in order.
func (s *shelf) Gaps() (gaps []Range, err error) {
	err = s.mended(func() error {
		gaps = nil
		segs, err := s.all()
		if err != nil {
			return err
		}
		next := events.Seq(1)
		for _, seg := range segs {
			if seg.first > next {
				gaps = append(gaps, Range{next, seg.first - 1})
			}
			cat, err := s.catalogOf(seg)
			if err != nil {
				return err
			}
			s.mu.RLock()
			next = cat.span().To + 1
			s.mu.RUnlock()
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return gaps, nil
}
