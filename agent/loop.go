package agent

import (
	"context"
	"encoding/binary"
	"errors"
	"sync"
	"time"
)

// Pauses between tries. A try that failed is followed by a pause from nothing up to a bound that doubles (full
// jitter), so that devices which lost their centre at one moment do not come back at one.
const (
	firstPause  = time.Second
	longest     = 5 * time.Minute
	longestWait = 2 * time.Second // while somebody waits for a Sync
)

// loop decides when to talk to the centre, and is the only part that tries again.
type loop struct {
	d   *Device
	new chan struct{} // there is a new record
	now chan struct{} // somebody wants it at once

	mu      sync.Mutex
	seen    outcome
	changed chan struct{} // closed at the next change of seen
	hurry   int           // how many wait for a Sync
}

// outcome is what the loop has done so far.
type outcome struct {
	progress uint64 // counts the steps forward, and the times a busy centre made the device wait
	begun    uint64 // conversations begun
	well     uint64 // the newest of them that ended well; 0 for none
	failed   uint64 // the newest that did not
	err      error  // of that
}

func newLoop(d *Device) *loop {
	return &loop{d: d, new: make(chan struct{}, 1), now: make(chan struct{}, 1), changed: make(chan struct{})}
}

// poke puts a token into a channel that holds one.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// state is what was seen, and a channel that closes when it is not so any more.
func (l *loop) state() (outcome, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.seen, l.changed
}

func (l *loop) change(change func(*outcome)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	change(&l.seen)
	close(l.changed)
	l.changed = make(chan struct{})
}

// progressed counts a step forward. That the centre answers is none: it may answer for ever, and nothing be received.
func (l *loop) progressed() { l.change(func(o *outcome) { o.progress++ }) }

// calls is what one run of the loop keeps between conversations.
type calls struct {
	*loop
	t       *talk     // nil while there is no connection
	full    bool      // the next conversation begins with a hello
	greeted time.Time // the last hello
	fails   int       // in a row
}

// run talks to the centre whenever there is a reason, until ctx ends.
func (l *loop) run(ctx context.Context) {
	c := &calls{loop: l, full: true}
	defer c.hang()
	for {
		// What was asked for until now, this conversation does.
		if taken(l.now) {
			c.fails, c.full = 0, true
		}
		taken(l.new)
		var n uint64
		l.change(func(o *outcome) { o.begun++; n = o.begun })
		err := c.once(ctx)
		if ctx.Err() != nil {
			return
		}
		var pause time.Duration
		if err == nil {
			c.full, c.fails = false, 0
			pause = l.d.cfg.Every/2 + l.d.jitter(l.d.cfg.Every/2)
		} else {
			c.hang()
			c.full = true
			c.fails++
			pause = l.pause(c.fails, err)
		}
		l.change(func(o *outcome) {
			if err != nil {
				o.failed, o.err = n, err
			} else {
				o.well = n
			}
		})
		if c.d.Moved() {
			return
		}
		if !c.rest(ctx, pause) {
			return
		}
	}
}

// taken takes what is in a channel of one, and tells whether there was anything.
func taken(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// Converse has one conversation with the centre, and returns how it went, as Run does again and again. It must not be called
// while Run or Sync does.
func (d *Device) Converse(ctx context.Context) error {
	c := &calls{loop: d.loop, full: true}
	defer c.hang()
	return c.once(ctx)
}

// once has one conversation, hands over where that shows that the device is revoked, and writes down how it went.
func (c *calls) once(ctx context.Context) error {
	err := c.call(ctx)
	if stop := (*Stop)(nil); errors.As(err, &stop) && stop.Kind == StopRevoked {
		err = c.d.handOver(ctx, stop)
	}
	if ctx.Err() == nil {
		c.d.remember(err)
	}
	return err
}

// call has one conversation, over the connection that there is or over a new one.
func (c *calls) call(ctx context.Context) error {
	if c.t == nil || c.t.line.Lost() {
		c.hang()
		if err := c.d.beforehand(ctx); err != nil {
			return err
		}
		t, err := c.d.dial(ctx)
		if err != nil {
			return err
		}
		c.t, c.full = t, true
	}
	if !c.full && time.Since(c.greeted) < c.d.cfg.Every {
		return c.d.sendOn(ctx, c.t)
	}
	c.greeted = time.Now()
	return c.d.converse(ctx, c.t)
}

func (c *calls) hang() {
	if c.t != nil {
		c.t.line.Close()
		c.t = nil
	}
}

// rest waits for the next reason; false where ctx ended first.
func (c *calls) rest(ctx context.Context, pause time.Duration) bool {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			c.full = true
			return true
		case <-c.now:
			c.fails, c.full = 0, true
			return true
		case <-c.new:
			if c.fails == 0 {
				return true
			}
			// The pause stands: new records do not bring the network back.
		}
	}
}

// pause is how long to wait after a failure, the fails-th in a row.
func (l *loop) pause(fails int, err error) time.Duration {
	l.mu.Lock()
	bound := longest
	if l.hurry > 0 {
		bound = longestWait
	}
	l.mu.Unlock()
	if !stopped(err) {
		bound = min(bound, firstPause<<min(fails-1, 20))
	}
	return l.d.jitter(bound)
}

// jitter is a random time up to most.
func (d *Device) jitter(most time.Duration) time.Duration {
	var b [8]byte
	if most <= 0 || d.cfg.Random(b[:]) != nil {
		return most
	}
	return time.Duration(binary.BigEndian.Uint64(b[:]) % uint64(most))
}

// watch waits until a conversation that began after the call has left nothing waiting. It gives up after the device's
// patience without progress, and at once where trying again changes nothing. Without anything waiting a centre that
// cannot be reached is no error but a notice. tell is called whenever something has changed. begin, which may be nil, is
// called once the conversation is asked for: a loop that begins earlier might have a second one, of which nobody waits for
// the end.
func (l *loop) watch(ctx context.Context, tell, begin func()) (notice, err error) {
	l.mu.Lock()
	l.hurry++
	start := l.seen
	l.mu.Unlock()
	defer func() {
		l.mu.Lock()
		l.hurry--
		l.mu.Unlock()
	}()
	poke(l.now)
	if begin != nil {
		begin()
	}
	patience := time.NewTimer(l.d.cfg.Patience)
	defer patience.Stop()
	progress := start.progress
	for {
		seen, changed := l.state()
		if tell != nil {
			tell()
		}
		waiting, err := l.d.waiting()
		if err != nil {
			return nil, err
		}
		failed := seen.failed > start.begun && seen.failed > seen.well
		switch {
		case seen.well > start.begun && waiting == nil:
			return nil, nil
		case failed && stopped(seen.err):
			return nil, seen.err
		case failed && waiting == nil && (errors.Is(seen.err, ErrNoNetwork) || errors.Is(seen.err, ErrNoCentre)):
			return seen.err, nil
		}
		if seen.progress != progress {
			progress = seen.progress
			patience.Reset(l.d.cfg.Patience)
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-changed:
		case <-patience.C:
			cause := seen.err
			if !failed {
				cause = ErrNoAnswer
			}
			if waiting == nil {
				return cause, nil
			}
			waiting.Cause = cause
			return nil, waiting
		}
	}
}
