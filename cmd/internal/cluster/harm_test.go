package cluster

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"ullage/agent"
)

var (
	rounds = flag.Int("cluster.rounds", 1, "how often everything is broken; above 1 in an order by the seed")
	seed   = flag.Uint64("cluster.seed", 0, "of the order; 0: by the clock")
)

// field is a device that works all the time: it records, syncs, and begins again.
type field struct {
	name string
	d    *agent.Device

	mu       sync.Mutex // guards what follows
	received []string   // ids that were acknowledged
	longest  time.Duration
	failed   error
}

// work goes on until ctx ends, and then once more until all is received.
func (f *field) work(ctx context.Context) error {
	for n := 0; ; n++ {
		last := ctx.Err() != nil
		answers, err := f.d.Record(context.Background(), strings.NewReader(note(2*n)+note(2*n+1)))
		if err != nil {
			return err
		}
		began := time.Now()
		for {
			bounded, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
			_, err = f.d.Sync(bounded, nil)
			cancel()
			if err == nil {
				break
			}
			var stop *agent.Stop
			if errors.As(err, &stop) || time.Since(began) > 2*time.Minute {
				return fmt.Errorf("%s after %v: %w", f.name, time.Since(began), err)
			}
		}
		f.mu.Lock()
		f.longest = max(f.longest, time.Since(began))
		for _, a := range answers {
			f.received = append(f.received, a.ID.String())
		}
		f.mu.Unlock()
		if last {
			return nil
		}
	}
}

// wait is the longest that the device has waited since it was asked last, and how much was received until now.
func (f *field) wait() (longest time.Duration, received int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	longest, f.longest = f.longest, 0
	return longest, len(f.received)
}

// leader waits until RECORDS has a leader and all its replicas are up with it, and returns the leader's number.
func (w *world) leader(records jetstream.Stream) (leader int) {
	w.t.Helper()
	leader = -1
	eventually(w.t, "RECORDS is whole", 90*time.Second, func() bool {
		ctx, cancel := context.WithTimeout(w.t.Context(), 2*time.Second)
		defer cancel()
		info, err := records.Info(ctx)
		if err != nil || info.Cluster == nil || info.Cluster.Leader == "" || len(info.Cluster.Replicas) != size-1 {
			return false
		}
		for _, r := range info.Cluster.Replicas {
			if !r.Current || r.Offline {
				return false
			}
		}
		leader = int(info.Cluster.Leader[0] - 'a')
		return true
	})
	return leader
}

// harm is something that happens to a cluster, and is over when do returns.
type harm struct {
	name  string
	wires bool // it needs a network of our own
	do    func(w *world, a *seat, leader int)
}

// While something is broken, that lasts so long: longer than it takes to notice it.
const (
	short = 2 * time.Second
	long  = 8 * time.Second
)

var harms = []harm{
	{"the leader is killed", false, func(w *world, _ *seat, leader int) {
		w.kill(leader)
		time.Sleep(long)
		w.start(leader)
	}},
	{"two servers are killed", false, func(w *world, _ *seat, leader int) {
		w.kill(leader)
		w.kill((leader + 1) % size)
		time.Sleep(short)
		w.start((leader + 1) % size)
		w.start(leader)
	}},
	{"the leader stands still", false, func(w *world, _ *seat, leader int) {
		w.servers[leader].signal(syscall.SIGSTOP)
		time.Sleep(long)
		w.servers[leader].signal(syscall.SIGCONT)
	}},
	{"the leader's cable is pulled", true, func(w *world, _ *seat, leader int) {
		w.net.pull(leader, true)
		time.Sleep(long)
		w.net.pull(leader, false)
	}},
	{"no server reaches another", true, func(w *world, _ *seat, _ int) {
		w.net.apart(true)
		time.Sleep(long)
		w.net.apart(false)
	}},
	{"a seat is killed", false, func(_ *world, a *seat, _ int) {
		a.kill()
		a.start()
	}},
	{"a disk is full", true, func(w *world, _ *seat, _ int) {
		ballast := filepath.Join(w.folder(small), "streams", "ballast")
		f, err := os.Create(ballast)
		if err != nil {
			w.t.Fatal(err)
		}
		for block := make([]byte, 64<<10); err == nil; _, err = f.Write(block) { // until there is no room
		}
		if !errors.Is(err, syscall.ENOSPC) {
			w.t.Errorf("the disk is not full: %v", err)
		}
		if err := f.Close(); err != nil {
			w.t.Error(err)
		}
		time.Sleep(long)
		if err := os.Remove(ballast); err != nil {
			w.t.Error(err)
		}
		// A server that could not write has given up, and takes no part until it is started again.
		w.kill(small)
		w.start(small)
	}},
	{"a server's files are put back", false, func(w *world, _ *seat, leader int) {
		i := (leader + 1) % size
		streams, older := filepath.Join(w.folder(i), "streams"), filepath.Join(w.dir, fmt.Sprintf("older-%d", time.Now().UnixNano()))
		w.kill(i)
		if err := os.CopyFS(older, os.DirFS(streams)); err != nil {
			w.t.Fatal(err)
		}
		w.start(i)
		time.Sleep(long)
		w.kill(i)
		entries, err := os.ReadDir(streams) // it may be a mount
		if err != nil {
			w.t.Fatal(err)
		}
		for _, e := range entries {
			if err := os.RemoveAll(filepath.Join(streams, e.Name())); err != nil {
				w.t.Fatal(err)
			}
		}
		if err := os.CopyFS(streams, os.DirFS(older)); err != nil {
			w.t.Fatal(err)
		}
		w.start(i)
	}},
}

// small is the server whose disk is small.
const small = 2

// Everything that can happen to a cluster happens, while devices push through two seats. At the end nothing that was
// acknowledged is lost, nothing is there twice, the log has one order, and both seats know the same.
func TestHarm(t *testing.T) {
	w := newWorld(t)
	if w.net.own {
		w.kill(small)
		disk := filepath.Join(w.folder(small), "streams")
		if err := errors.Join(os.RemoveAll(disk), os.Mkdir(disk, 0o700), inTurn("mount -t tmpfs -o size=96m none "+disk)); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			w.kill(small)
			if err := inTurn("umount " + disk); err != nil {
				t.Error(err)
			}
		})
		w.start(small)
	}
	a, b := w.two()
	records := w.records()
	var fields []*field
	for i := range 6 {
		at := a
		if i%2 == 1 {
			at = b
		}
		f := &field{name: fmt.Sprintf("tab-%d", i)}
		var err error
		if f.d, err = agent.Open(t.Context(), at.enrol(f.name), agent.Config{Patience: time.Minute, Answer: 2 * time.Second}); err != nil {
			t.Fatal(err)
		}
		defer f.d.Close()
		fields = append(fields, f)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var working sync.WaitGroup
	for _, f := range fields {
		working.Go(func() { f.failed = f.work(ctx) })
	}
	// received waits until each device has had something received since it was called, and returns the longest wait.
	received := func() (longest time.Duration) {
		before := map[*field]int{}
		for _, f := range fields {
			longest0, n := f.wait()
			longest, before[f] = max(longest, longest0), n
		}
		eventually(t, "every device goes on", 2*time.Minute, func() bool {
			for _, f := range fields {
				f.mu.Lock()
				n := len(f.received)
				f.mu.Unlock()
				if n <= before[f] {
					return false
				}
			}
			return true
		})
		for _, f := range fields {
			longest0, _ := f.wait()
			longest = max(longest, longest0)
		}
		return longest
	}
	r := rand.New(rand.NewPCG(chosenSeed(t), 0))
	for round := range *rounds {
		order := r.Perm(len(harms))
		for i := range harms {
			h := harms[i]
			if round > 0 {
				h = harms[order[i]]
			}
			if h.wires && !w.net.own {
				t.Logf("!!! left out, for want of a network of our own: %s", h.name)
				continue
			}
			leader := w.leader(records)
			received()
			h.do(w, a, leader)
			longest := received()
			t.Logf("%-32s a device waited %5.1f s at most", h.name, longest.Seconds())
		}
	}
	w.leader(records)
	stop()
	working.Wait()
	total := 0
	for _, f := range fields {
		if f.failed != nil {
			t.Fatal(f.failed)
		}
		total += len(f.received)
		report, err := agent.Check(t.Context(), filepath.Join(w.dir, f.name))
		if err != nil || !report.OK {
			t.Errorf("%s: %+v, %v", f.name, report, err)
		}
		for _, s := range []*seat{a, b} {
			times := map[string]int{}
			for _, id := range s.listed(f.name) {
				times[id]++
			}
			for _, id := range f.received {
				if times[id] != 1 {
					t.Errorf("%s has record %s of %s %d times", s.dir, id, f.name, times[id])
				}
			}
		}
	}
	t.Logf("%d records of %d devices were received", total, len(fields))
	w.same(a, b)
	w.oneLog(a, b)
	for _, s := range []*seat{a, b} {
		if alarms := s.alarms(); alarms != "" {
			t.Errorf("%s raises %s", s.dir, alarms)
		}
	}
	if t.Failed() {
		t.Logf("first seat:\n%s\nsecond seat:\n%s", a.said(), b.said())
	}
}

func chosenSeed(t *testing.T) uint64 {
	if *seed == 0 {
		*seed = uint64(time.Now().UnixNano())
	}
	t.Logf("-cluster.seed=%d", *seed)
	return *seed
}

// oneLog makes sure that both seats have the same leaves in the same order, up to the same size, once they are at rest.
func (w *world) oneLog(a, b *seat) {
	w.t.Helper()
	var of [2]string
	eventually(w.t, "both seats have one public log", 20*time.Second, func() bool {
		for i, s := range []*seat{a, b} {
			of[i] = read(w.t, s.dir, "log", "epoch-1.hashes")
		}
		return of[0] == of[1]
	})
	if of[0] == "" {
		w.t.Error("both logs are empty")
	}
	if _, err := os.Stat(filepath.Join(a.dir, "log", "epoch-2.hashes")); err == nil {
		w.t.Error("a new epoch has begun")
	}
}
