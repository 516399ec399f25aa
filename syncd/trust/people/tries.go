package people

import (
	"crypto/sha256"
	"fmt"
	"sync"
	"time"
)

// How wrong passwords make others wait.
const (
	freeTries = 5                // of one name, before it has to wait
	firstWait = 15 * time.Second // then; each further wrong one doubles it
	mostWait  = 5 * time.Minute
	quietTime = time.Hour // without a wrong one, after which all is forgotten

	MaxTries = 60 // wrong passwords of all names within a minute, before all have to wait
	triesIn  = time.Minute
)

// WaitError says that too many wrong passwords came, and how long none is looked at.
type WaitError struct{ Wait time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many sign-ins went wrong; try again in %s", inWords(e.Wait))
}

func inWords(d time.Duration) string {
	if seconds := int((d + time.Second - 1) / time.Second); seconds < 100 {
		return fmt.Sprintf("%d s", seconds)
	}
	return fmt.Sprintf("%d min", int((d+time.Minute-1)/time.Minute))
}

// tries counts wrong passwords. An attempt counts as wrong from its beginning, so that a hundred at once are not one.
// What is kept is bounded by MaxTries a minute, for quietTime.
type tries struct {
	mu    sync.Mutex // protects both
	all   []time.Time
	names map[[32]byte]wrong // by SHA-256 of the name: whoever tries may send long ones
}

type wrong struct {
	n    int
	last time.Time
}

func (w wrong) wait(now time.Time) time.Duration {
	if w.n < freeTries {
		return 0
	}
	pause := mostWait
	if doubled := w.n - freeTries; doubled < 6 {
		pause = min(firstWait<<doubled, mostWait)
	}
	return w.last.Add(pause).Sub(now)
}

// begin counts an attempt, or refuses it with a *WaitError. right takes it back: the password was the right one, and
// the name is clear again; unseen takes it back as one that was never looked at.
func (t *tries) begin(name string, now time.Time) (right, unseen func(), err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.forget(now)
	key := sha256.Sum256([]byte(folded(name)))
	before := t.names[key]
	wait := before.wait(now)
	if len(t.all) >= MaxTries {
		wait = max(wait, triesIn-now.Sub(t.all[len(t.all)-MaxTries]))
	}
	if wait > 0 {
		return nil, nil, &WaitError{wait}
	}
	if t.names == nil {
		t.names = map[[32]byte]wrong{}
	}
	t.names[key] = wrong{before.n + 1, now}
	t.all = append(t.all, now)
	uncount := func() {
		if len(t.all) > 0 {
			t.all = t.all[:len(t.all)-1]
		}
	}
	right = func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		uncount()
		delete(t.names, key)
	}
	unseen = func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		uncount()
		if w, ok := t.names[key]; ok {
			if w.n--; w.last.Equal(now) {
				w.last = before.last
			}
			t.names[key] = w
		}
	}
	return right, unseen, nil
}

// forget drops what is long ago. A clock that was set back does not prolong anything.
func (t *tries) forget(now time.Time) {
	old := func(at time.Time, limit time.Duration) bool { return now.Before(at) || now.Sub(at) >= limit }
	kept := t.all[:0]
	for _, at := range t.all {
		if !old(at, triesIn) {
			kept = append(kept, at)
		}
	}
	t.all = kept
	for key, w := range t.names {
		if old(w.last, quietTime) {
			delete(t.names, key)
		}
	}
}
