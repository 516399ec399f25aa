package journal

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ullage/agent/journal/disk"
	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// slowFS counts the syncs of files, and holds each until it is let go.
type slowFS struct {
	disk.FS
	mu    sync.Mutex
	syncs int
	gate  chan struct{} // nil: let all go
	err   error         // what they return afterwards

	full    bool // writes fail for want of room, once the gate is open
	inWrite atomic.Bool
}

func (s *slowFS) wrap(f disk.File, err error) (disk.File, error) {
	if err != nil {
		return nil, err
	}
	return &slowFile{f, s}, nil
}

func (s *slowFS) OpenWrite(name string) (disk.File, error) { return s.wrap(s.FS.OpenWrite(name)) }

type slowFile struct {
	disk.File
	s *slowFS
}

func (f *slowFile) Sync() error {
	f.s.mu.Lock()
	f.s.syncs++
	gate := f.s.gate
	f.s.mu.Unlock()
	if gate != nil {
		<-gate
	}
	f.s.mu.Lock()
	err := f.s.err
	f.s.mu.Unlock()
	if err != nil {
		return err
	}
	return f.File.Sync()
}

// One append syncs once; many at the same time share one.
func TestSharedSync(t *testing.T) {
	layer := &slowFS{FS: frail.New()}
	cfg := Config{Dir: "j", FS: layer}
	mustCreate(t, cfg)
	j, _ := mustOpen(t, cfg)
	defer j.Close()
	for range 10 {
		before := layer.syncs
		mustAppend(t, j, records(3, 0, 10))
		if n := layer.syncs - before; n != 1 {
			t.Fatalf("one append syncs %d times", n)
		}
	}

	layer.gate = make(chan struct{})
	before := layer.syncs
	var wg sync.WaitGroup
	const many = 40
	lined := make(chan struct{}, many)
	for range many {
		wg.Go(func() {
			_, err := j.Append(func(head events.Head) ([]Frame, error) {
				defer func() { lined <- struct{}{} }()
				return records(1, 1, 10)(head)
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	for range many { // all are built while the first sync is held
		<-lined
	}
	for waiting := 0; waiting < many-1; {
		j.mu.RLock()
		waiting = 0
		for _, b := range []*batch{j.waiting, j.flying} {
			if b != nil {
				waiting += len(b.items)
			}
		}
		j.mu.RUnlock()
	}
	close(layer.gate)
	wg.Wait()
	if n := layer.syncs - before; n > 3 {
		t.Fatalf("%d appends at the same time took %d syncs", many, n)
	}
	if got, _, err := readAll(j); err != nil || len(got) != 30+many {
		t.Fatalf("%d records, %v", len(got), err)
	}
}

func (f *slowFile) WriteAt(p []byte, off int64) (int, error) {
	f.s.mu.Lock()
	full, gate := f.s.full, f.s.gate
	f.s.mu.Unlock()
	if !full {
		return f.File.WriteAt(p, off)
	}
	f.s.inWrite.Store(true)
	<-gate
	return 0, errNoSpace
}

// held makes a journal whose next sync is held, or where the disk is full its next write, and starts an append into it.
func held(t *testing.T, full bool) (j *Journal, layer *slowFS, first chan error) {
	t.Helper()
	layer = &slowFS{FS: frail.New()}
	cfg := Config{Dir: "j", FS: layer}
	mustCreate(t, cfg)
	j, _ = mustOpen(t, cfg)
	mustAppend(t, j, records(2, 0, 0))
	layer.mu.Lock()
	layer.gate, layer.full = make(chan struct{}), full
	before := layer.syncs
	layer.mu.Unlock()
	first = make(chan error, 1)
	go func() {
		_, err := j.Append(records(1, 1, 0)) // record 3, which has a key
		first <- err
	}()
	for now := before; now == before && !layer.inWrite.Load(); {
		layer.mu.Lock()
		now = layer.syncs
		layer.mu.Unlock()
	}
	return j, layer, first
}

// A record that is being written is found when it is kept, not before, also from within a build.
func TestAwait(t *testing.T) {
	j, layer, first := held(t, false)
	found, second := make(chan bool, 1), make(chan error, 1)
	go func() {
		_, _, ok, err := j.ByKey(keyOf(3))
		found <- ok && err == nil
	}()
	built := make(chan struct{})
	go func() {
		_, err := j.Append(func(head events.Head) ([]Frame, error) {
			close(built)
			r, _ := events.DecodeRecord(makeRecord(3, 1, keyOf(3), 0))
			if head.Seq != 3 {
				return nil, fmt.Errorf("built behind %d", head.Seq)
			}
			if seq, _, ok, err := j.ByID(r.ID); !ok || seq != 3 || err != nil {
				return nil, fmt.Errorf("record 3 by id: %v, %w", ok, err)
			}
			return nil, nil
		})
		second <- err
	}()
	<-built
	if j.Head().Seq != 2 {
		t.Fatalf("the head is %d while the sync is held", j.Head().Seq)
	}
	select {
	case ok := <-found:
		t.Fatalf("an answer (%v) while the record was not kept", ok)
	case <-time.After(20 * time.Millisecond):
	}
	close(layer.gate)
	if err := <-first; err != nil {
		t.Fatal(err)
	}
	if !<-found {
		t.Fatal("the record was not found")
	}
	if err := <-second; err != nil {
		t.Fatal(err)
	}
	mustClose(t, j)
}

// Who builds on frames that are given up is given up too: those that wait, and those that are just built. After a full
// disk the next one finds the head where it was.
func TestGivenUp(t *testing.T) {
	for _, want := range []error{ErrStopped, ErrFull} {
		j, layer, first := held(t, want == ErrFull)
		second, third := make(chan error, 1), make(chan error, 1)
		go func() {
			_, err := j.Append(records(1, 2, 0))
			second <- err
		}()
		for waits := false; !waits; {
			j.mu.RLock()
			waits = j.waiting != nil
			j.mu.RUnlock()
		}
		layer.mu.Lock()
		if want == ErrStopped {
			layer.err = errors.New("the cable")
		}
		layer.full = false // what is held fails all the same; whoever is written after it would not
		layer.mu.Unlock()
		go func() {
			_, err := j.Append(func(head events.Head) ([]Frame, error) {
				close(layer.gate)
				if err := <-first; !errors.Is(err, want) {
					return nil, fmt.Errorf("the first: %w", err)
				}
				return records(1, 3, 0)(head)
			})
			third <- err
		}()
		for name, c := range map[string]chan error{"who waits": second, "who builds": third} {
			if err := <-c; !errors.Is(err, want) {
				t.Fatalf("%s: %v, want %v", name, err, want)
			}
		}
		if j.Head().Seq != 2 {
			t.Fatalf("the head is %d", j.Head().Seq)
		}
		if want == ErrFull {
			if head := mustAppend(t, j, records(1, 4, 0)); head.Seq != 3 {
				t.Fatalf("after a full disk the head is %d", head.Seq)
			}
		}
		mustClose(t, j)
	}
}

// Many append, read and look up at the same time, over many segments.
func TestConcurrent(t *testing.T) {
	cfg := Config{Dir: t.TempDir(), SegmentBytes: 8 << 10}
	mustCreate(t, cfg)
	j, _ := mustOpen(t, cfg)
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for i := range 60 {
				key := fmt.Sprintf("k-%d-%d", g, i)
				head, err := j.Append(func(head events.Head) ([]Frame, error) {
					if _, _, ok, err := j.ByKey(key); ok || err != nil {
						return nil, fmt.Errorf("%s is there already: %w", key, err)
					}
					return []Frame{{Record, makeRecord(head.Seq+1, g<<16|i, key, 100)}}, nil
				})
				if err != nil {
					t.Error(err)
					return
				}
				if seq, _, ok, err := j.ByKey(key); err != nil || !ok || seq != head.Seq {
					t.Errorf("%s: %d, %v, %v, not %d", key, seq, ok, err, head.Seq)
				}
			}
		})
		wg.Go(func() {
			for range 10 {
				if _, gaps, err := readUntil(j); err != nil || len(gaps) > 0 {
					t.Error(gaps, err)
				}
				r, err := OpenRead(cfg)
				if err != nil {
					t.Error(err)
					return
				}
				if _, gaps, err := readAll(r); err != nil || len(gaps) > 0 {
					t.Errorf("reader: gaps %v, %v", gaps, err)
				}
				r.Close()
			}
		})
	}
	wg.Wait()
	if got, _, err := readAll(j); err != nil || len(got) != 240 {
		t.Fatalf("%d records, %v", len(got), err)
	}
	mustClose(t, j)
}

// readUntil scans up to the head at the time of the call, while more is appended.
func readUntil(j *Journal) (n int, gaps []Range, err error) {
	want := j.Head().Seq
	err = j.Scan(1, func(seq events.Seq, record []byte) error {
		n++
		if int(seq) != n {
			return fmt.Errorf("scan gave %d, not %d", seq, n)
		}
		return nil
	})
	if err == nil && n < int(want) {
		err = fmt.Errorf("scan ended at %d, the head was %d", n, want)
	}
	return n, nil, err
}

// A sync that fails stops the journal for good; what waits on it fails too, and is told the cause.
func TestStopped(t *testing.T) {
	mem := frail.New()
	layer := &faultFS{FS: mem, at: -1}
	cfg := storyConfig(layer)
	mustCreate(t, cfg)
	j, _ := mustOpen(t, cfg)
	head := mustAppend(t, j, records(2, 0, 0))
	layer.err = errors.New("the cable")
	layer.at, layer.always = layer.calls+1, false // the write goes well, the sync does not
	if _, err := j.Append(records(1, 0, 0)); !errors.Is(err, ErrStopped) || !errors.Is(err, layer.err) {
		t.Fatalf("a failed sync: %v", err)
	}
	if _, err := j.Append(records(1, 0, 0)); !errors.Is(err, ErrStopped) || !errors.Is(err, layer.err) {
		t.Fatalf("the append after it: %v", err)
	}
	if j.Head() != head {
		t.Fatalf("the head moved to %+v", j.Head())
	}
	if got, _, err := readAll(j); err != nil || len(got) != 2 {
		t.Fatalf("reading: %d, %v", len(got), err)
	}
	mustClose(t, j)
}
