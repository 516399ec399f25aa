package journal

import (
	"errors"
	"fmt"
	"slices"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// mender sets a damaged segment aside and puts what of it can be read, and whose place in the chain is proved, into
// its place. The steps, each durable before the next:
//
//  1. The sound stretches are written as segments under other names.
//  2. The damaged file is renamed to *.mending. From here on a crash is finished by the next Open, from that file.
//  3. The stretches get their names.
//  4. The damaged file is renamed to *.damaged, where it stays. Only then is anything written behind the last stretch.
type mender struct {
	dirFS
	id     identity
	aside  string   // the damaged file's name in the end
	damage []Damage // in that file
	pieces []*segmentWriter
	begun  bool // step 2 was reached, done or not
}

// setAside mends the segment that a survey has found damaged.
func (m *mender) setAside(sv *survey, last bool) error {
	if err := m.write(sv, last); err != nil {
		m.abandon()
		return fmt.Errorf("set %s aside: %w", sv.file, fullOr(err))
	}
	if err := m.removeIfThere(baseName(sv.mark, extIndex)); err != nil {
		return err
	}
	ext := extMending
	if last {
		ext = extMendingLast
	}
	mending := baseName(sv.mark, ext)
	m.begun = true
	if err := m.rename(sv.file, mending); err != nil {
		return fmt.Errorf("set %s aside: %w", sv.file, err)
	}
	if err := m.syncDir(); err != nil {
		return err
	}
	return m.place(mending, sv)
}

// finish does what a crash has left undone of setAside.
func (m *mender) finish(mending string) error {
	mark, ext, _ := parseName(mending)
	last := ext == extMendingLast
	f, err := m.open(mending)
	if err != nil {
		return err
	}
	sv, err := surveySegment(f, mending, mark, m.id, last)
	f.Close()
	if err != nil {
		return err
	}
	if err := m.write(sv, last); err != nil {
		m.abandon()
		return fmt.Errorf("set %s aside: %w", mending, fullOr(err))
	}
	return m.place(mending, sv)
}

// place is steps 3 and 4.
func (m *mender) place(mending string, sv *survey) error {
	for _, w := range m.pieces {
		if err := w.place(); err != nil {
			return err
		}
	}
	if err := m.syncDir(); err != nil {
		return err
	}
	aside, err := m.freeName(sv.mark)
	if err != nil {
		return err
	}
	if err := m.rename(mending, aside); err != nil {
		return err
	}
	if err := m.syncDir(); err != nil {
		return err
	}
	m.aside = aside
	for _, d := range sv.damage {
		d.File = aside
		m.damage = append(m.damage, d)
	}
	if len(sv.damage) == 0 {
		m.damage = append(m.damage, Damage{File: aside, Size: sv.size, Records: none(sv.mark),
			Why: "nothing in it can be read, or parts of it are missing"})
	}
	return nil
}

func (m *mender) abandon() {
	for _, w := range m.pieces {
		w.abandon()
	}
}

// freeName is a name for a file that is set aside.
func (m *mender) freeName(mark events.Seq) (string, error) {
	l, err := m.list()
	if err != nil {
		return "", err
	}
	name := baseName(mark, extDamaged)
	for i := 2; slices.Contains(l.damaged, name); i++ {
		name = fmt.Sprintf("%s.%d", baseName(mark, extDamaged), i)
	}
	return name, nil
}

// write is step 1. Of the last segment the last stretch is written also where it is empty: it tells where to go on.
func (m *mender) write(sv *survey, last bool) error {
	receipt := sv.header.receipt
	if !sv.hasHeader {
		var err error
		if receipt, err = m.receiptBefore(sv.mark); err != nil {
			return err
		}
	}
	src, err := m.open(sv.file)
	if err != nil {
		return err
	}
	defer src.Close()
	for i, t := range sv.tables {
		if len(t.recs) == 0 && !(last && i == len(sv.tables)-1) {
			continue
		}
		w, err := m.newSegment(header{identity: m.id, base: t.base, receipt: receipt})
		if err != nil {
			return err
		}
		m.pieces = append(m.pieces, w)
		if err := w.copy(src, sv, t); err != nil {
			w.f.Close()
			return err
		}
		if _, err := w.finish(0); err != nil {
			return err
		}
		receipt = w.receipt
	}
	return nil
}

// copy takes the frames of one stretch over from a damaged segment.
func (w *segmentWriter) copy(src disk.File, sv *survey, t *table) error {
	win := window{f: src, size: sv.size}
	seg := &segment{file: sv.file, mark: sv.mark}
	for _, it := range t.items() {
		ft, payload, _, err := win.frame(seg, int64(it.off))
		if err != nil {
			return err
		}
		if ft != it.t {
			return fmt.Errorf("%s changes while it is read", sv.file)
		}
		var clock events.Clock
		if ft == Record {
			r, err := events.DecodeRecord(payload)
			if err != nil {
				return err
			}
			clock = r.Clock
		}
		w.add(ft, payload, clock)
	}
	if w.at.link != t.last.link {
		return fmt.Errorf("%s changes while it is read", sv.file)
	}
	w.buf = appendSettled(w.buf, w.mark, w.off+int64(len(w.buf)), w.at) // true by the time the segment has a name
	return nil
}

// receiptBefore finds the last receipt in front of a segment whose head is lost.
func (m *mender) receiptBefore(mark events.Seq) ([]byte, error) {
	l, err := m.list()
	if err != nil {
		return nil, err
	}
	for _, before := range slices.Backward(l.segments) {
		if before >= mark {
			continue
		}
		name := baseName(before, extSegment)
		f, err := m.open(name)
		if err != nil {
			return nil, err
		}
		receipt, err := lastReceipt(f, name, before, m.id)
		f.Close()
		if err != nil || receipt != nil {
			return receipt, err
		}
	}
	return nil, nil
}

// lastReceipt reads a segment through for its last receipt, or the one that its head carries.
func lastReceipt(f disk.File, name string, mark events.Seq, id identity) ([]byte, error) {
	sv, err := surveySegment(f, name, mark, id, false)
	if err != nil {
		return nil, err
	}
	for _, t := range slices.Backward(sv.tables) {
		if n := len(t.receipts); n > 0 {
			_, payload, _, err := readFrame(f, mark, int64(t.receipts[n-1].off))
			return slices.Clone(payload), err
		}
	}
	return sv.header.receipt, nil
}

// Mend reads all segments but the last through, and sets aside those that are damaged, as reading them would: also where
// the damage touches nothing that is ever read, which Check alone finds otherwise.
func (j *Journal) Mend() error {
	segs, err := j.all()
	if err != nil {
		return err
	}
	for _, seg := range segs[:len(segs)-1] {
		sv, err := j.survey(seg)
		var bad *badSegment
		if err != nil && !errors.As(err, &bad) {
			return err
		}
		if err == nil && sv.clean(false) {
			continue
		}
		if err := j.mendSegment(seg); err != nil {
			return err
		}
	}
	return nil
}

// mendSegment looks at a segment in which something did not read as it should, and sets it aside where it is damaged.
// The one that is being written is closed first.
func (j *Journal) mendSegment(seg *segment) error {
	j.writing.Lock()
	defer j.writing.Unlock()
	j.mu.RLock()
	i := slices.Index(j.segs, seg)
	active := i == len(j.segs)-1
	stop, closed := j.stop, j.closed
	j.mu.RUnlock()
	switch {
	case closed:
		return ErrClosed
	case i < 0:
		return nil // another reader was here before
	}
	if active {
		if stop != nil || !j.hasRecords() {
			return fmt.Errorf("%w: %s does not read as it was written", ErrDamaged, seg.file)
		}
		if err := j.rotate(); err != nil {
			return err
		}
	}
	j.forget(seg.file)
	j.forget(baseName(seg.mark, extIndex))
	sv, err := j.survey(seg)
	var gone *badSegment
	switch {
	case errors.As(err, &gone) && stop != nil:
		return fmt.Errorf("%w: %s is half set aside; open the journal again", ErrDamaged, seg.file)
	case errors.As(err, &gone):
		j.replace(seg, nil)
		return nil
	case err != nil:
		return err
	case sv.clean(false): // it was the index
		if err := j.removeIfThere(baseName(seg.mark, extIndex)); err != nil {
			return err
		}
		j.mu.Lock()
		seg.cat = nil
		j.mu.Unlock()
		return nil
	}
	j.mu.RLock()
	sv.expect(j.segs[i+1].first)
	j.mu.RUnlock()
	j.forget(seg.file)
	m := mender{dirFS: j.dirFS, id: j.id}
	if err := m.setAside(sv, false); err != nil {
		if m.begun { // the next Open finishes it; until then the files are not what this process thinks
			j.mu.Lock()
			j.stop = fmt.Errorf("%w: %w", ErrStopped, err)
			j.mu.Unlock()
		}
		return err
	}
	j.mu.Lock()
	j.found = append(j.found, m.damage...)
	j.mu.Unlock()
	j.replace(seg, m.pieces)
	return nil
}

// replace puts the stretches of a segment into its place.
func (j *Journal) replace(seg *segment, pieces []*segmentWriter) {
	var segs []*segment
	for _, w := range pieces {
		segs = append(segs, &segment{file: w.name(), mark: w.mark, first: w.mark})
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	i := slices.Index(j.segs, seg)
	j.segs = slices.Replace(slices.Clone(j.segs), i, i+1, segs...)
}
