// Package frail is a disk that loses power, lies about what it has written, fills up and forgets.
package frail

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

	"ullage/agent/journal/disk"
)

// ErrPower is the error of everything once the power is off.
var ErrPower = errors.New("the power is off")

// Disk is a file layer in memory that knows what of it would survive a power cut: what was synced surely, of the rest
// any part. A sector of a write may be lost, torn or on the disk before an earlier one; so may each change of a
// directory. After the cut it refuses everything.
type Disk struct {
	mu      sync.Mutex
	live    map[string]*inode
	durable map[string]*inode
	changes []map[string]*inode // of the directory, not yet synced; nil for a name that goes
	locked  map[string]bool

	dead bool
	full int64 // bytes of all files; below zero for any number

	// To be set while nothing goes on.
	Left    int  // changing calls until the power is cut; below zero for never
	Lying   bool // Sync of files does nothing and says it did
	Failing bool // the next Sync of a file fails, and what it should have written will never be
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

// New is an empty disk.
func New() *Disk {
	return &Disk{live: map[string]*inode{}, durable: map[string]*inode{}, locked: map[string]bool{}, Left: -1, full: -1}
}

// step counts a changing call. With cut it is the one during which the power goes: what it does is done, or not.
func (m *Disk) step() (cut bool, err error) {
	if m.dead {
		return false, ErrPower
	}
	if m.Left == 0 {
		m.dead = true
		return true, nil
	}
	if m.Left > 0 {
		m.Left--
	}
	return false, nil
}

func (m *Disk) change(sets map[string]*inode) error {
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
		return ErrPower
	}
	return nil
}

// MkdirAll is part of disk.FS.
func (m *Disk) MkdirAll(string) error { return nil }

// Create is part of disk.FS.
func (m *Disk) Create(name string) (disk.File, error) {
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
			return nil, ErrPower
		}
		return &file{m, ino, true}, nil
	}
	ino := &inode{}
	if err := m.change(map[string]*inode{name: ino}); err != nil {
		return nil, err
	}
	return &file{m, ino, true}, nil
}

// Open is part of disk.FS.
func (m *Disk) Open(name string) (disk.File, error) { return m.openFile(name, false) }

// OpenWrite is part of disk.FS.
func (m *Disk) OpenWrite(name string) (disk.File, error) { return m.openFile(name, true) }

func (m *Disk) openFile(name string, write bool) (disk.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, ErrPower
	}
	ino := m.live[name]
	if ino == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return &file{m, ino, write}, nil
}

// Rename is part of disk.FS.
func (m *Disk) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	ino := m.live[from]
	if ino == nil {
		return &fs.PathError{Op: "rename", Path: from, Err: fs.ErrNotExist}
	}
	return m.change(map[string]*inode{from: nil, to: ino})
}

// Remove is part of disk.FS.
func (m *Disk) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.live[name] == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	return m.change(map[string]*inode{name: nil})
}

// ReadDir is part of disk.FS.
func (m *Disk) ReadDir(dir string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, ErrPower
	}
	var names []string
	for name := range m.live {
		if filepath.Dir(name) == filepath.Clean(dir) {
			names = append(names, filepath.Base(name))
		}
	}
	return names, nil
}

// SyncDir is part of disk.FS.
func (m *Disk) SyncDir(string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	cut, err := m.step()
	if err != nil {
		return err
	}
	if cut {
		return ErrPower
	}
	m.durable = maps.Clone(m.live)
	m.changes = nil
	return nil
}

// lock is held until the process ends.
type lock struct {
	m    *Disk
	name string
}

// Lock is part of disk.FS.
func (m *Disk) Lock(name string) (io.Closer, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, ErrPower
	}
	if m.locked[name] {
		return nil, &disk.LockedError{}
	}
	m.locked[name] = true
	return lock{m, name}, nil
}

func (l lock) Close() error {
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	delete(l.m.locked, l.name)
	return nil
}

type file struct {
	m     *Disk
	ino   *inode
	write bool
}

func (f *file) ReadAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.dead {
		return 0, ErrPower
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

func (f *file) WriteAt(p []byte, off int64) (int, error) {
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
		return 0, ErrPower
	case n < len(p):
		return n, syscall.ENOSPC
	}
	return n, nil
}

// Limit leaves room for so many bytes more; below zero for any number.
func (m *Disk) Limit(room int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.full = -1
	if room >= 0 {
		m.full = m.used() + room
	}
}

// Dead tells whether the power is off.
func (m *Disk) Dead() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.dead
}

// Clone is the disk as it is, once more.
func (m *Disk) Clone() *Disk {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := New()
	for name, ino := range m.live {
		c.live[name] = &inode{data: slices.Clone(ino.data), durable: slices.Clone(ino.data)}
	}
	c.durable = maps.Clone(c.live)
	return c
}

// Names are the paths of all files, in their order.
func (m *Disk) Names() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Sorted(maps.Keys(m.live))
}

// Bytes are what stands in a file, itself and not a copy; nil where there is no such file.
func (m *Disk) Bytes(name string) []byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	if ino := m.live[name]; ino != nil {
		return ino.data
	}
	return nil
}

// Set puts a copy of bytes into a file, durably.
func (m *Disk) Set(name string, b []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.live[name] = &inode{data: slices.Clone(b), durable: slices.Clone(b)}
	m.durable[name] = m.live[name]
}

// Lose takes a file away.
func (m *Disk) Lose(name string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.live, name)
	delete(m.durable, name)
}

// Flip damages a byte of a file.
func (m *Disk) Flip(name string, off int, mask byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.live[name].data[off] ^= mask
	m.live[name].durable = slices.Clone(m.live[name].data)
}

func (m *Disk) used() (n int64) {
	for _, ino := range m.live {
		n += int64(len(ino.data))
	}
	return n
}

func (f *file) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	cut, err := f.m.step()
	if err != nil {
		return err
	}
	f.ino.data = writeInto(f.ino.data, change{size, nil})
	f.ino.writes = append(f.ino.writes, change{size, nil})
	if cut {
		return ErrPower
	}
	return nil
}

func (f *file) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	cut, err := f.m.step()
	if err != nil {
		return err
	}
	if cut {
		return ErrPower
	}
	if f.m.Failing {
		f.m.Failing = false
		f.ino.writes = nil
		return syscall.EIO
	}
	if !f.m.Lying {
		for _, c := range f.ino.writes { // and nothing else: what a failed sync has lost stays lost
			f.ino.durable = writeInto(f.ino.durable, c)
		}
		f.ino.writes = nil
	}
	return nil
}

func (f *file) Size() (int64, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.dead {
		return 0, ErrPower
	}
	return int64(len(f.ino.data)), nil
}

func (f *file) Close() error { return nil }

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

// Cut is the file layer as a power cut leaves it.
func (m *Disk) Cut(rng *rand.Rand) *Disk {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := New()
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

// Revive is the file layer as the death of a process leaves it: all is there, synced or not.
func (m *Disk) Revive() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dead, m.Left = false, -1
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
