package journal

import (
	"errors"
	"io"

	"ullage/events"
)

// windowSize is how much of a segment is in memory while it is read through.
const windowSize = 256 << 10

// window reads a file from front to back without holding it.
type window struct {
	f    io.ReaderAt
	size int64 // of the file
	buf  []byte
	off  int64 // of buf
}

// at gives up to n bytes from off, fewer only at the end of the file. They are good until the next call.
func (w *window) at(off int64, n int) ([]byte, error) {
	if off >= w.size {
		return nil, nil
	}
	n = int(min(int64(n), w.size-off))
	if off < w.off || off+int64(n) > w.off+int64(len(w.buf)) {
		if w.buf == nil {
			w.buf = make([]byte, 0, max(min(windowSize, w.size), int64(n)))
		} else if cap(w.buf) < n {
			w.buf = make([]byte, 0, n)
		}
		want := int(min(int64(cap(w.buf)), w.size-off))
		got, err := w.f.ReadAt(w.buf[:want], off)
		if got < n {
			w.buf = w.buf[:0]
			if err == nil || errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return nil, err
		}
		w.buf, w.off = w.buf[:got], off
	}
	i := int(off - w.off)
	return w.buf[i : i+n], nil
}

// zeros tells whether there is nothing but zeros from off to the end.
func (w *window) zeros(off int64) (bool, error) {
	for off < w.size {
		b, err := w.at(off, 4096)
		if err != nil {
			return false, err
		}
		for _, c := range b {
			if c != 0 {
				return false, nil
			}
		}
		off += int64(len(b))
	}
	return true, nil
}

// readUpTo reads n bytes from off, fewer where the file ends.
func readUpTo(f io.ReaderAt, n int, off int64) ([]byte, error) {
	b := make([]byte, n)
	got, err := f.ReadAt(b, off)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return b[:got], nil
}

// readFrame reads the frame at off; its length is 0 where there is none. Most come with one small read.
func readFrame(f io.ReaderAt, mark events.Seq, off int64) (t FrameType, payload []byte, n int, err error) {
	const guess = 1024
	b, err := readUpTo(f, guess, off)
	if err == nil && len(b) == guess && frameLen(b) > guess {
		b, err = readUpTo(f, frameLen(b), off)
	}
	if err != nil {
		return 0, nil, 0, err
	}
	t, payload, n = parseFrame(b, mark, off)
	return t, payload, n, nil
}
