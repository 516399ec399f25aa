package journal

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"syscall"
	"testing"

	"ullage/agent/journal/disk"
	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// faultFS makes calls of a file layer fail.
type faultFS struct {
	disk.FS
	mu     sync.Mutex
	calls  int
	at     int  // the call that fails; below zero for none
	always bool // and all after it
	done   bool // what fails is done all the same
	err    error
	hit    bool
}

// do runs a call, or fails it.
func (f *faultFS) do(call func() error) error {
	f.mu.Lock()
	n := f.calls
	f.calls++
	fails := f.at >= 0 && (n == f.at || f.always && n > f.at)
	f.hit = f.hit || fails
	f.mu.Unlock()
	if !fails {
		return call()
	}
	if f.done {
		_ = call()
	}
	return f.err
}

func (f *faultFS) MkdirAll(dir string) error { return f.do(func() error { return f.FS.MkdirAll(dir) }) }
func (f *faultFS) Rename(a, b string) error  { return f.do(func() error { return f.FS.Rename(a, b) }) }
func (f *faultFS) Remove(name string) error  { return f.do(func() error { return f.FS.Remove(name) }) }
func (f *faultFS) SyncDir(dir string) error  { return f.do(func() error { return f.FS.SyncDir(dir) }) }

func (f *faultFS) ReadDir(dir string) (names []string, err error) {
	err = f.do(func() (err error) { names, err = f.FS.ReadDir(dir); return err })
	return names, err
}

func (f *faultFS) Lock(name string) (c io.Closer, err error) {
	err = f.do(func() (err error) { c, err = f.FS.Lock(name); return err })
	if err != nil && c != nil {
		c.Close()
	}
	return c, err
}

func (f *faultFS) file(open func(string) (disk.File, error), name string) (disk.File, error) {
	var g disk.File
	if err := f.do(func() (err error) { g, err = open(name); return err }); err != nil {
		return nil, err
	}
	return &faultFile{g, f}, nil
}

func (f *faultFS) Create(name string) (disk.File, error)    { return f.file(f.FS.Create, name) }
func (f *faultFS) Open(name string) (disk.File, error)      { return f.file(f.FS.Open, name) }
func (f *faultFS) OpenWrite(name string) (disk.File, error) { return f.file(f.FS.OpenWrite, name) }

type faultFile struct {
	disk.File
	f *faultFS
}

func (f *faultFile) ReadAt(p []byte, off int64) (n int, err error) {
	err = f.f.do(func() (err error) { n, err = f.File.ReadAt(p, off); return err })
	return n, err
}

func (f *faultFile) WriteAt(p []byte, off int64) (n int, err error) {
	err = f.f.do(func() (err error) { n, err = f.File.WriteAt(p, off); return err })
	return n, err
}

func (f *faultFile) Sync() error { return f.f.do(f.File.Sync) }
func (f *faultFile) Truncate(size int64) error {
	return f.f.do(func() error { return f.File.Truncate(size) })
}

func (f *faultFile) Size() (n int64, err error) {
	err = f.f.do(func() (err error) { n, err = f.File.Size(); return err })
	return n, err
}

func (f *faultFile) Close() error { return f.f.do(f.File.Close) }

// faultStory does all that a journal can do, each step once more when a fault came in between.
type faultStory struct {
	cfg Config
	mem *frail.Disk
	l   *ledger
	j   *Journal
	bad error
}

func (s *faultStory) steps() []func() error {
	appends := func(n, size int, notes bool) func() error {
		return s.opened(func() error { return s.l.add(s.j, n, size, notes) })
	}
	open := func() (err error) {
		if s.j == nil {
			s.j, _, err = Open(s.cfg)
		}
		return err
	}
	closeIt := s.opened(func() error {
		err := s.j.Close()
		s.j = nil
		return err
	})
	return []func() error{
		func() error { return Create(s.cfg, testDevice, testKey) },
		open,
		appends(2, 100, true), appends(3, 300, false), appends(3, 300, true), appends(1, 10, false),
		closeIt, open,
		appends(4, 400, false), appends(2, 100, true), appends(5, 300, false),
		func() error { s.damage(); return nil },
		s.opened(s.restore),
		appends(1, 10, true), appends(3, 400, false),
		func() error {
			r, err := OpenRead(s.cfg)
			if err != nil {
				return err
			}
			defer r.Close()
			return r.Scan(1, func(events.Seq, []byte) error { return nil })
		},
		closeIt,
	}
}

// opened is a step that needs an open journal.
func (s *faultStory) opened(step func() error) func() error {
	return func() error {
		if s.j == nil {
			return errNotOpen
		}
		return step()
	}
}

var errNotOpen = errors.New("the journal is not open")

// damage hits a record of the second segment, if that is not the last one.
func (s *faultStory) damage() {
	l, err := list(s.mem, "j")
	if err != nil || len(l.segments) < 3 {
		return
	}
	name := Config{Dir: "j"}.dirFS().path(baseName(l.segments[1], extSegment))
	s.mem.Flip(name, 400, 0x10)
}

// restore scans, and puts back what is missing.
func (s *faultStory) restore() error {
	for range 3 {
		err := s.j.Scan(1, func(events.Seq, []byte) error { return nil })
		var gap *GapError
		if !errors.As(err, &gap) {
			return err
		}
		var lost [][]byte
		for seq := gap.From; seq <= gap.To; seq++ {
			lost = append(lost, []byte(s.l.acked[seq]))
		}
		if err := s.j.Restore(gap.From, lost); err != nil {
			return err
		}
	}
	return errors.New("the gaps do not close")
}

// reopen opens the journal, and takes over what is in it, read without faults.
func (s *faultStory) reopen() {
	if s.j, _, _ = Open(s.cfg); s.j == nil {
		return
	}
	r, err := OpenRead(storyConfig(s.mem))
	if err != nil {
		return
	}
	defer r.Close()
	if got, _, err := readAll(r); err == nil && s.bad == nil {
		s.bad = s.l.adopt(got)
	}
}

// run does the steps; the journal is opened again after a failure, if it can be.
func (s *faultStory) run() {
	for _, step := range s.steps() {
		for try := range 4 {
			if s.j == nil && try > 0 {
				s.reopen()
			}
			err := step()
			if err == nil {
				break
			}
			if s.j != nil && !errors.Is(err, ErrFull) {
				s.j.Close()
				s.j = nil
			}
		}
	}
	if s.j != nil {
		s.j.Close()
		s.j = nil
	}
}

// Every call of the file layer fails, once or from then on, done or not done. Whatever was acknowledged before, and in
// between, must be there afterwards.
func TestEveryCallFails(t *testing.T) {
	t.Parallel()
	try := func(at int, always, done bool, fault error) (calls int, hit bool, err error) {
		mem := frail.New()
		layer := &faultFS{FS: mem, at: at, always: always, done: done, err: fault}
		s := &faultStory{cfg: storyConfig(layer), mem: mem, l: newLedger()}
		s.run()
		if err = s.bad; err == nil {
			err = recheck(mem, s.l)
		}
		return layer.calls, layer.hit, err
	}
	calls, _, err := try(-1, false, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d calls without a fault", calls)
	faults := []error{syscall.EIO, syscall.ENOSPC}
	for at := 0; ; at++ {
		any := false
		for mode := range 8 {
			if mode%part != at%part {
				continue
			}
			always, done, fault := mode&1 > 0, mode&2 > 0, faults[mode>>2]
			_, hit, err := try(at, always, done, fault)
			if err != nil {
				t.Fatalf("call %d, for ever %v, done %v, %v: %v", at, always, done, fault, err)
			}
			any = any || hit
		}
		if !any {
			if at < calls {
				t.Fatalf("only %d of %d calls failed", at, calls)
			}
			return
		}
	}
}

// recheck opens the journal without faults, and holds it to the ledger; records of a gap must come back.
func recheck(mem *frail.Disk, l *ledger) error {
	cfg := storyConfig(mem)
	j, _, err := Open(cfg)
	if errors.Is(err, ErrNone) && len(l.acked) == 0 {
		return nil
	}
	if err != nil {
		return fmt.Errorf("open again: %w", err)
	}
	defer j.Close()
	s := &faultStory{cfg: cfg, l: l, j: j}
	if err := s.restore(); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if err := l.verify(j); err != nil {
		return err
	}
	if err := l.add(j, 2, 10, true); err != nil {
		return err
	}
	if err := l.verify(j); err != nil {
		return err
	}
	report, err := Check(cfg, nil)
	if err == nil && !report.OK() {
		err = fmt.Errorf("check finds fault: %+v", report)
	}
	return err
}

// A disk without room refuses, keeps what is there, and is written again when there is room.
func TestDiskFull(t *testing.T) {
	for room := int64(0); room < 4000; room += 97 {
		mem, l := frail.New(), newLedger()
		cfg := storyConfig(mem)
		mustCreate(t, cfg)
		j, _ := mustOpen(t, cfg)
		if err := l.add(j, 3, 100, true); err != nil {
			t.Fatal(err)
		}
		mem.Limit(room)
		rng := rand.New(rand.NewPCG(uint64(room), 0))
		full := 0
		for range 40 {
			switch err := l.add(j, 1+rng.IntN(3), rng.IntN(400), false); {
			case errors.Is(err, ErrFull):
				full++
			case err != nil:
				t.Fatalf("room %d: %v", room, err)
			}
			if err := l.verify(j); err != nil {
				t.Fatalf("room %d, full: %v", room, err)
			}
		}
		if full == 0 {
			t.Fatalf("room %d: the disk was never full", room)
		}
		mem.Limit(-1)
		if err := l.add(j, 3, 100, true); err != nil {
			t.Fatalf("room %d, room again: %v", room, err)
		}
		mustClose(t, j)
		if err := recheck(mem, l); err != nil {
			t.Fatalf("room %d: %v", room, err)
		}
	}
}

// A write that the disk let through in part is taken back: none of it comes back when the journal is opened again.
func TestHalfAWriteIsTakenBack(t *testing.T) {
	for _, room := range []int64{0, 1, 5_000, 40_000, 100_000} {
		mem := frail.New()
		cfg := Config{Dir: "j", FS: mem}
		mustCreate(t, cfg)
		j, _ := mustOpen(t, cfg)
		head := mustAppend(t, j, records(2, 0, 0))
		mem.Limit(room)
		if _, err := j.Append(records(100, 1, 4000)); !errors.Is(err, ErrFull) {
			t.Fatalf("room %d: %v", room, err)
		}
		copied := cfg
		copied.FS = mem.Clone()
		again, report := mustOpen(t, copied)
		if again.Head() != head || report.CutBytes > 0 {
			t.Fatalf("room %d: opened again it ends at %d, not %d, with %d bytes cut off", room, again.Head().Seq, head.Seq, report.CutBytes)
		}
		mustClose(t, again)
		mustClose(t, j)
	}
}
