// Package sim is a company in one goroutine: devices, the links between them and their centre, the centre, and the disks
// under all of them, with the real code of the device and the centre and everything below it made of a seed. The same seed
// on the same commit does the same, to the byte.
//
// Time is virtual. What happens next stands in a queue; a device's conversation is a coroutine that gives the turn back
// wherever it waits. The world breaks what can break, notes what the centre has acknowledged and what devices have kept,
// brings everything to rest at the end, and then looks whether the promises were kept (check.go).
package sim

import (
	"container/heap"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"iter"
	"math/rand/v2"
	"time"
)

// world is one run.
type world struct {
	cfg    Config
	rng    *rand.Rand
	now    time.Time // true time
	queue  queue
	events int // that were queued, for a stable order
	dir    string

	centre  *centre
	devices []*device
	calm    bool // nothing breaks any more

	tally         map[Fault]*Count
	told          hash.Hash // of all that happened
	Trace         io.Writer // nil: nobody reads it
	robbed        bool      // the centre has lost what it had taken note of
	named         int       // records that were lost, and named
	unknown, gone int       // see Result
	broken        error     // the first thing that must not happen
}

var start = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// event is something that happens at a time.
type event struct {
	at time.Time
	n  int
	do func()
}

type queue []event

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	return q[i].at.Before(q[j].at) || q[i].at.Equal(q[j].at) && q[i].n < q[j].n
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(event)) }
func (q *queue) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}

// in does something after a while.
func (w *world) in(d time.Duration, do func()) {
	w.events++
	heap.Push(&w.queue, event{w.now.Add(max(d, 0)), w.events, do})
}

// run lets things happen until a time, or until something is broken.
func (w *world) run(until time.Time) {
	for len(w.queue) > 0 && w.broken == nil && !w.queue[0].at.After(until) {
		e := heap.Pop(&w.queue).(event)
		w.now = e.at
		e.do()
	}
	w.now = until
}

// tell notes what happened, in the digest of the run.
func (w *world) tell(format string, a ...any) {
	line := w.now.Format("2006-01-02T15:04:05.000 ") + fmt.Sprintf(format, a...) + "\n"
	io.WriteString(w.told, line)
	if w.Trace != nil {
		io.WriteString(w.Trace, line)
	}
}

// fail notes what must not happen; the first counts.
func (w *world) fail(format string, a ...any) {
	if w.broken == nil {
		w.broken = fmt.Errorf(format, a...)
		w.tell("BROKEN: %v", w.broken)
	}
}

// injected counts a fault.
func (w *world) injected(f Fault) { w.count(f).Injected++ }

func (w *world) count(f Fault) *Count {
	c := w.tally[f]
	if c == nil {
		c = &Count{}
		w.tally[f] = c
	}
	return c
}

// chance is true once in so many times; never when it is calm.
func (w *world) chance(p float64) bool { return !w.calm && p > 0 && w.rng.Float64() < p }

// between is a time between two.
func (w *world) between(least, most time.Duration) time.Duration {
	return least + time.Duration(w.rng.Int64N(int64(most-least)+1))
}

// fill fills with random bytes.
func (w *world) fill(b []byte) error {
	for i := range b {
		b[i] = byte(w.rng.Uint32())
	}
	return nil
}

// Read makes the world's chance an io.Reader.
func (w *world) Read(b []byte) (int, error) { return len(b), w.fill(b) }

func (w *world) digest() string { return hex.EncodeToString(w.told.Sum(nil)) }

func newDigest() hash.Hash { return sha256.New() }

// task is a coroutine of the world.
type task struct {
	w      *world
	resume func() (struct{}, bool)
	yield  func(struct{}) bool
	parked int // counts the times that it has waited
	over   bool
}

// spawn begins a task, which runs until it waits for the first time.
func (w *world) spawn(do func(t *task)) *task {
	t := &task{w: w}
	t.resume, _ = iter.Pull(func(yield func(struct{}) bool) {
		t.yield = yield
		do(t)
		t.over = true
	})
	t.resume()
	return t
}

// park gives the turn back until somebody wakes the task.
func (t *task) park() {
	t.parked++
	t.yield(struct{}{})
}

// wake gives the turn to a task that waits; n is which waiting is meant, and an older one is over.
func (t *task) wake(n int) {
	if !t.over && t.parked == n {
		t.resume()
	}
}

// sleep waits.
func (t *task) sleep(d time.Duration) {
	n := t.parked + 1
	t.w.in(d, func() { t.wake(n) })
	t.park()
}
