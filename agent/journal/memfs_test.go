package journal

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
)

var errPower = errors.New("the power is off")

// memFS is a file layer in memory that knows what of it would survive a power cut: what was synced surely, of the rest
// any part. A sector of a write may be lost, torn or on the disk before an earlier one; so may each change of a
// directory. After the cut it refuses everything.
type memFS struct {
	mu      sync.Mutex
	live    map[string]*inode
	durable map[string]*inode
	changes []map[string]*inode // of the directory, not yet synced; nil for a name that goes
	locked  map[string]bool

	left    int  // changing calls until the power is cut; below zero for never
	dead    bool //
	lying   bool // Sync of files does nothing and says it did
	failing bool // the next Sync of a file fails, and what it should have written will never be
	syncs   int  // Sync calls on files
	full    int64
}

type inode struct {
	data    []byte
	durable []byte
	writes  []change
}

// change is a write, or where data is nil, a truncation to off.
type change struct {
	off  int64
	data []byte
}

func newMemFS() *memFS {
	return &memFS{live: map[string]*inode{}, durable: map[string]*inode{}, locked: map[string]bool{}, left: -1, full: -1}
}

// step counts a changing call. With cut it is the one during which the power goes: what it does is done, or not.
func (m *memFS) step() (cut bool, err error) {
	if m.dead {
		return false, errPower
	}
	if m.left == 0 {
		m.dead = true
		return true, nil
	}
	if m.left > 0 {
		m.left--
	}
	return false, nil
}

func (m *memFS) change(sets map[string]*inode) error {
	cut, err := m.step()
	if err != nil {
		return err
	}
	for name, ino := range sets {
		if ino == nil {
			delete(m.live, name)
		} else {
			m.live[name] = ino
		}
	}
	m.changes = append(m.changes, sets)
	if cut {
		return errPower
	}
	return nil
}

func (m *memFS) MkdirAll(string) error { return nil }

func (m *memFS) Create(name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if ino := m.live[name]; ino != nil {
		cut, err := m.step()
		if err != nil {
			return nil, err
		}
		ino.data = nil
		ino.writes = append(ino.writes, change{})
		if cut {
			return nil, errPower
		}
		return &memFile{m, ino, true}, nil
	}
	ino := &inode{}
	if err := m.change(map[string]*inode{name: ino}); err != nil {
		return nil, err
	}
	return &memFile{m, ino, true}, nil
}

func (m *memFS) Open(name string) (File, error)      { return m.openFile(name, false) }
func (m *memFS) OpenWrite(name string) (File, error) { return m.openFile(name, true) }

func (m *memFS) openFile(name string, write bool) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, errPower
	}
	ino := m.live[name]
	if ino == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return &memFile{m, ino, write}, nil
}

func (m *memFS) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	ino := m.live[from]
	if ino == nil {
		return &fs.PathError{Op: "rename", Path: from, Err: fs.ErrNotExist}
	}
	return m.change(map[string]*inode{from: nil, to: ino})
}

func (m *memFS) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.live[name] == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	return m.change(map[string]*inode{name: nil})
}

func (m *memFS) ReadDir(dir string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, errPower
	}
	var names []string
	for name := range m.live {
		if filepath.Dir(name) == filepath.Clean(dir) {
			names = append(names, filepath.Base(name))
		}
	}
	return names, nil
}

func (m *memFS) SyncDir(string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	cut, err := m.step()
	if err != nil {
		return err
	}
	if cut {
		return errPower
	}
	m.durable = maps.Clone(m.live)
	m.changes = nil
	return nil
}

type memLock struct {
	m    *memFS
	name string
}

func (m *memFS) Lock(name string) (io.Closer, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, errPower
	}
	if m.locked[name] {
		return nil, &LockedError{}
	}
	m.locked[name] = true
	return memLock{m, name}, nil
}

func (l memLock) Close() error {
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	delete(l.m.locked, l.name)
	return nil
}

type memFile struct {
	m     *memFS
	ino   *inode
	write bool
}

func (f *memFile) ReadAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.dead {
		return 0, errPower
	}
	if off >= int64(len(f.ino.data)) {
		return 0, io.EOF
	}
	n := copy(p, f.ino.data[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memFile) WriteAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if !f.write {
		return 0, fs.ErrPermission
	}
	cut, err := f.m.step()
	if err != nil {
		return 0, err
	}
	n := len(p)
	if f.m.full >= 0 && off+int64(n) > int64(len(f.ino.data)) {
		room := max(f.m.full-f.m.used(), 0)
		n = int(max(0, min(int64(n), int64(len(f.ino.data))+room-off)))
	}
	f.ino.data = writeInto(f.ino.data, change{off, p[:n]})
	f.ino.writes = append(f.ino.writes, change{off, slices.Clone(p[:n])})
	switch {
	case cut:
		return 0, errPower
	case n < len(p):
		return n, errNoSpace
	}
	return n, nil
}

func (m *memFS) used() (n int64) {
	for _, ino := range m.live {
		n += int64(len(ino.data))
	}
	return n
}

func (f *memFile) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	cut, err := f.m.step()
	if err != nil {
		return err
	}
	f.ino.data = writeInto(f.ino.data, change{size, nil})
	f.ino.writes = append(f.ino.writes, change{size, nil})
	if cut {
		return errPower
	}
	return nil
}

func (f *memFile) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	cut, err := f.m.step()
	if err != nil {
		return err
	}
	if cut {
		return errPower
	}
	f.m.syncs++
	if f.m.failing {
		f.m.failing = false
		f.ino.writes = nil
		return syscall.EIO
	}
	if !f.m.lying {
		for _, c := range f.ino.writes { // and nothing else: what a failed sync has lost stays lost
			f.ino.durable = writeInto(f.ino.durable, c)
		}
		f.ino.writes = nil
	}
	return nil
}

func (f *memFile) Size() (int64, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.dead {
		return 0, errPower
	}
	return int64(len(f.ino.data)), nil
}

func (f *memFile) Close() error { return nil }

// writeInto does a change; the slice may be shared with none.
func writeInto(b []byte, c change) []byte {
	if c.data == nil {
		if int64(len(b)) >= c.off {
			return b[:c.off:c.off]
		}
		return append(b, make([]byte, c.off-int64(len(b)))...)
	}
	if n := c.off + int64(len(c.data)); n > int64(len(b)) {
		b = append(b, make([]byte, n-int64(len(b)))...)
	}
	copy(b[c.off:], c.data)
	return b
}

// cut is the file layer as a power cut leaves it.
func (m *memFS) cut(rng *rand.Rand) *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := newMemFS()
	names := maps.Clone(m.durable)
	keep := chance(rng)
	for _, sets := range m.changes {
		if rng.Float64() < keep {
			for name, ino := range sets {
				if ino == nil {
					delete(names, name)
				} else {
					names[name] = ino
				}
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		data := names[name].survive(rng)
		after.live[name] = &inode{data: data, durable: slices.Clone(data)}
	}
	after.durable = maps.Clone(after.live)
	return after
}

// revive is the file layer as the death of a process leaves it: all is there, synced or not.
func (m *memFS) revive() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dead, m.left = false, -1
	clear(m.locked)
}

// chance is how likely something is to survive: often never or always.
func chance(rng *rand.Rand) float64 {
	switch rng.IntN(4) {
	case 0:
		return 0
	case 1:
		return 1
	}
	return rng.Float64()
}

const sector = 512

// survive is what a power cut leaves of a file.
func (ino *inode) survive(rng *rand.Rand) []byte {
	b := slices.Clone(ino.durable)
	keep, tear := chance(rng), chance(rng)/4
	for _, c := range ino.writes {
		if c.data == nil {
			if rng.Float64() < keep {
				b = writeInto(b, c)
			}
			continue
		}
		for at := 0; at < len(c.data); {
			end := min(len(c.data), at+sector-int((c.off+int64(at))%sector))
			part := c.data[at:end]
			if rng.Float64() < tear {
				part = part[:rng.IntN(len(part)+1)]
			}
			if rng.Float64() < keep && len(part) > 0 {
				b = writeInto(b, change{c.off + int64(at), part})
			}
			at = end
		}
	}
	if n := len(ino.data); n > len(b) && rng.IntN(4) == 0 { // the length came through, the bytes did not
		b = append(b, make([]byte, n-len(b))...)
	}
	return b
}
