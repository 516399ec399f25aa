package publog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"

	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// The file of entries, which FORMAT.md tells.
const (
	magic     = "ullage.log.1\n"
	frameHead = 8 // length, sum
	stampSize = 8 // sequence in LOG
	maxFrame  = frameHead + stampSize + wire.MaxMessage
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// frameSum covers where the frame stands, its length and its content, so that a frame that was left behind somewhere
// else does not hold.
func frameSum(off int64, length, content []byte) uint32 {
	var at [12]byte
	binary.LittleEndian.PutUint64(at[:], uint64(off))
	copy(at[8:], length)
	return crc32.Update(crc32.Update(0, castagnoli, at[:]), castagnoli, content)
}

// frame is what the log has written at once.
type frame struct {
	at      uint64 // sequence in LOG of the message with its last entry, when it was written; 0 where it is not known
	message []byte // a wire.LogMessage
}

// appendFrame writes a frame that will stand at off. Its inverse is parseFrame.
func appendFrame(b []byte, off int64, f frame) []byte {
	start := len(b)
	b = binary.LittleEndian.AppendUint32(b, uint32(stampSize+len(f.message)))
	b = append(b, 0, 0, 0, 0)
	b = binary.LittleEndian.AppendUint64(b, f.at)
	b = append(b, f.message...)
	binary.LittleEndian.PutUint32(b[start+4:], frameSum(off, b[start:start+4], b[start+frameHead:]))
	return b
}

// frameLen is the length of the frame with this head; 0 where it is none.
func frameLen(head []byte) int {
	if len(head) < frameHead {
		return 0
	}
	n := binary.LittleEndian.Uint32(head)
	if n <= stampSize || n > stampSize+wire.MaxMessage {
		return 0
	}
	return frameHead + int(n)
}

// parseFrame reads the frame at the start of b, which stands at off; its length is 0 where there is no whole one.
func parseFrame(b []byte, off int64) (f frame, n int) {
	n = frameLen(b)
	if n == 0 || n > len(b) || binary.LittleEndian.Uint32(b[4:]) != frameSum(off, b[:4], b[frameHead:n]) {
		return frame{}, 0
	}
	return frame{binary.LittleEndian.Uint64(b[frameHead:]), b[frameHead+stampSize : n]}, n
}

// file is what the log needs of a file.
type file interface {
	io.ReaderAt
	io.WriterAt
	Sync() error
	Truncate(size int64) error
	Stat() (fs.FileInfo, error)
	Close() error
}

// entries is the file of entries.
type entries struct {
	f   file
	end int64 // behind the last frame
}

// openEntries opens the file, or begins it; a file that is not long enough to say what it is was never begun.
func openEntries(path string) (*entries, error) {
	head := make([]byte, len(magic))
	f, err := os.OpenFile(path, os.O_RDWR, 0o600)
	if err == nil {
		var n int
		n, err = io.ReadFull(f, head)
		if err == nil && string(head) == magic {
			return &entries{f, int64(len(magic))}, nil
		}
		err = errors.Join(f.Close(), ignoreEOF(err))
		if err == nil && (n == len(magic) || string(head[:n]) != magic[:n]) {
			err = fmt.Errorf("%s is no file of a public log, or of a version that is not known here", path)
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err := disk.WriteFile(path, []byte(magic)); err != nil {
		return nil, err
	}
	if f, err = os.OpenFile(path, os.O_RDWR, 0o600); err != nil {
		return nil, err
	}
	return &entries{f, int64(len(magic))}, nil
}

func ignoreEOF(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// append writes a frame and returns once it is on the disk. After an error nothing is known of the file's end, and
// nothing more may be written.
func (e *entries) append(f frame) (off int64, err error) {
	b := appendFrame(nil, e.end, f)
	if _, err := e.f.WriteAt(b, e.end); err != nil {
		return 0, err
	}
	if err := e.f.Sync(); err != nil {
		return 0, err
	}
	off = e.end
	e.end += int64(len(b))
	return off, nil
}

// at reads the frame that stands at off.
func (e *entries) at(off int64) (frame, error) {
	head := make([]byte, frameHead)
	if _, err := e.f.ReadAt(head, off); err != nil {
		return frame{}, err
	}
	b := make([]byte, frameLen(head))
	if _, err := e.f.ReadAt(b, off); err != nil {
		return frame{}, err
	}
	f, n := parseFrame(b, off)
	if n == 0 {
		return frame{}, fmt.Errorf("the frame at byte %d is damaged", off)
	}
	return f, nil
}

// scan reads the frames in their order, and leaves end behind the last one that is whole and that fn takes.
func (e *entries) scan(fn func(off int64, f frame) error) error {
	in := newWindow(e.f, e.end)
	for {
		b, err := in.peek(frameHead)
		if err != nil {
			return err
		}
		n := frameLen(b)
		if n == 0 {
			return nil
		}
		if b, err = in.peek(n); err != nil {
			return err
		}
		f, n := parseFrame(b, e.end)
		if n == 0 {
			return nil
		}
		if err := fn(e.end, f); err != nil {
			return err
		}
		in.skip(n)
		e.end += int64(n)
	}
}

// rest tells how many bytes stand behind the end, and whether there is a whole frame among them: then what stands at the
// end is damage; else it was torn while it was written.
func (e *entries) rest() (size int64, frames bool, err error) {
	info, err := e.f.Stat()
	if err != nil {
		return 0, false, err
	}
	size = info.Size() - e.end
	in := newWindow(e.f, e.end)
	for off := e.end; off < info.Size(); off++ {
		b, err := in.peek(frameHead)
		if err != nil {
			return 0, false, err
		}
		if n := frameLen(b); n > 0 && int64(n) <= info.Size()-off {
			if b, err = in.peek(n); err != nil {
				return 0, false, err
			}
			if _, n := parseFrame(b, off); n > 0 {
				return size, true, nil
			}
		}
		in.skip(1)
	}
	return size, false, nil
}

// cut takes away what stands behind the end.
func (e *entries) cut() error {
	if err := e.f.Truncate(e.end); err != nil {
		return err
	}
	return e.f.Sync()
}

// setAside keeps the file as it is under a name of its own, and goes on with a copy of what stands before the end.
func (e *entries) setAside(path string) (kept string, err error) {
	for n := 1; ; n++ {
		kept = fmt.Sprintf("%s.damaged-%d", path, n)
		if _, err := os.Lstat(kept); errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	good := path + ".good"
	if err := copyFile(good, io.NewSectionReader(e.f, 0, e.end)); err != nil {
		return "", err
	}
	if err := e.f.Close(); err != nil {
		return "", err
	}
	if err := disk.Rename(path, kept); err != nil {
		return "", err
	}
	if err := disk.Rename(good, path); err != nil {
		return "", err
	}
	e.f, err = os.OpenFile(path, os.O_RDWR, 0o600)
	return kept, err
}

func copyFile(path string, from io.Reader) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	if _, err = io.Copy(f, from); err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// window reads a file ahead, from one place on.
type window struct {
	f    io.ReaderAt
	off  int64 // of b
	b    []byte
	room []byte
}

func newWindow(f io.ReaderAt, off int64) *window {
	return &window{f: f, off: off, room: make([]byte, 2*maxFrame)}
}

// peek returns the next n bytes, fewer where the file ends; they are good until the next call.
func (w *window) peek(n int) ([]byte, error) {
	if len(w.b) < n {
		have := copy(w.room, w.b)
		m, err := w.f.ReadAt(w.room[have:], w.off+int64(have))
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		w.b = w.room[:have+m]
	}
	return w.b[:min(n, len(w.b))], nil
}

func (w *window) skip(n int) {
	w.b = w.b[n:]
	w.off += int64(n)
}
