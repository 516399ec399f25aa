package journal

import (
	"cmp"
	"fmt"
	"slices"

	"ullage/events"
)

// Restore puts back the records that damage has taken: those of one whole gap, as Gaps gives it, in order from its
// first. They count only if their chain leads from the link before the gap to the link after it. They become a segment
// of their own, and with nil they are kept.
//
// Its error is ErrNoGap for records that are no whole gap, ErrFrame for bytes that are no record of this journal,
// ErrChain for records that do not fit the chain on both sides, ErrFull where there is no room, ErrClosed, or
// ErrStopped. With an error the gap stays as it is; only when a directory could not be synced may it be found closed
// by the next Open.
func (j *Journal) Restore(from events.Seq, records [][]byte) error {
	if len(records) == 0 {
		return fmt.Errorf("%w: none are given", ErrNoGap)
	}
	want := Range{from, from + events.Seq(len(records)) - 1}
	gaps, err := j.Gaps()
	if err != nil {
		return err
	}
	if !slices.Contains(gaps, want) {
		return fmt.Errorf("%w: %s; missing are %v", ErrNoGap, want, gaps)
	}
	base, err := j.placeAt(from - 1)
	if err != nil {
		return err
	}
	right, err := j.LinkAt(want.To)
	if err != nil {
		return err
	}
	at, clocks, err := j.follow(base, records)
	if err != nil {
		return err
	}
	if at.link != right {
		return fmt.Errorf("%w: %s lead to another record than the one after them", ErrChain, want)
	}

	j.writing.Lock()
	defer j.writing.Unlock()
	j.mu.RLock()
	i, there := slices.BinarySearchFunc(j.segs, from, func(s *segment, n events.Seq) int { return cmp.Compare(s.first, n) })
	stop := j.stop
	if j.closed {
		stop = ErrClosed
	}
	j.mu.RUnlock()
	switch {
	case stop != nil:
		return stop
	case there:
		return fmt.Errorf("%w: %s are back already", ErrNoGap, want)
	}
	w, err := j.newSegment(header{identity: j.id, base: base})
	if err != nil {
		return fullOr(err)
	}
	for n, r := range records {
		w.add(Record, r, clocks[n])
	}
	w.buf = appendSettled(w.buf, w.mark, w.off+int64(len(w.buf)), w.at)
	if _, err := w.finish(0); err != nil {
		w.abandon()
		return fullOr(err)
	}
	if err := j.removeIfThere(baseName(from, extIndex)); err != nil {
		return err
	}
	if err := w.place(); err != nil {
		return fmt.Errorf("name a segment: %w", err)
	}
	if err := j.syncDir(); err != nil {
		return fmt.Errorf("sync the directory: %w", err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.segs = slices.Insert(slices.Clone(j.segs), i, &segment{file: w.name(), mark: w.mark, first: w.mark})
	return nil
}

// placeAt is where the chain stands behind a record that is there.
func (j *Journal) placeAt(seq events.Seq) (at place, err error) {
	if seq == 0 {
		return j.id.start(), nil
	}
	err = j.mended(func() error {
		_, at, err = j.fetch(seq)
		return err
	})
	return at, err
}

// follow chains records on from a place.
func (j *Journal) follow(at place, records [][]byte) (place, []events.Clock, error) {
	clocks := make([]events.Clock, len(records))
	for i, b := range records {
		r, err := events.DecodeRecord(b)
		switch {
		case err != nil:
			return place{}, nil, fmt.Errorf("%w: record %d: %w", ErrFrame, at.seq+1, err)
		case r.Device != j.id.device || r.Seq != at.seq+1:
			return place{}, nil, fmt.Errorf("%w: it is record %d of %s, not %d of %s", ErrFrame, r.Seq, r.Device, at.seq+1, j.id.device)
		}
		clocks[i] = r.Clock
		at = at.next(b, r.Clock)
	}
	return at, clocks, nil
}
