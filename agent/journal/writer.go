package journal

import (
	"fmt"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// segmentWriter writes a segment that gets its name only when it is whole.
type segmentWriter struct {
	dirFS
	mark    events.Seq
	f       disk.File
	at      place
	receipt []byte
	off     int64 // of buf in the file
	buf     []byte
	err     error
}

// newSegment begins a segment under another name.
func (d dirFS) newSegment(h header) (*segmentWriter, error) {
	w := &segmentWriter{dirFS: d, mark: h.base.seq + 1, at: h.base, receipt: h.receipt, buf: h.encode()}
	f, err := d.create(w.name() + extTemp)
	if err != nil {
		return nil, fmt.Errorf("create a segment: %w", err)
	}
	w.f = f
	return w, nil
}

func (w *segmentWriter) name() string { return baseName(w.mark, extSegment) }

// add writes one frame, a record with its link.
func (w *segmentWriter) add(t FrameType, payload []byte, clock events.Clock) {
	behind := w.at
	if t == Record {
		behind = w.at.next(payload, clock)
	}
	w.buf = appendItem(w.buf, w.mark, w.off, t, payload, w.at, behind)
	w.at = behind
	if t == Receipt {
		w.receipt = append([]byte(nil), payload...)
	}
	if len(w.buf) >= windowSize {
		w.flush()
	}
}

func (w *segmentWriter) flush() {
	if w.err == nil && len(w.buf) > 0 {
		_, w.err = w.f.WriteAt(w.buf, w.off)
	}
	w.off += int64(len(w.buf))
	w.buf = w.buf[:0]
}

// finish makes what was written durable, room bytes of zeros behind it included, and leaves it under the other name.
func (w *segmentWriter) finish(room int64) (end int64, err error) {
	end = w.off + int64(len(w.buf))
	if n := room - end; n > 0 {
		w.buf = append(w.buf, make([]byte, n)...)
	}
	w.flush()
	if w.err == nil {
		w.err = w.f.Sync()
	}
	if err := w.f.Close(); w.err == nil {
		w.err = err
	}
	if w.err != nil {
		return 0, fmt.Errorf("write %s: %w", w.name(), w.err)
	}
	return end, nil
}

// abandon removes what was written.
func (w *segmentWriter) abandon() { _ = w.remove(w.name() + extTemp) }

// place gives the segment its name. The directory is not synced.
func (w *segmentWriter) place() error { return w.rename(w.name()+extTemp, w.name()) }
