package office

import (
	"sync"
	"time"
)

const (
	seldomTime  = time.Hour
	seldomWords = "once an hour"
)

// seldom keeps what anybody can do as often as they like from filling the access journal: each such thing, of which
// there are few, is told once in a while.
type seldom struct {
	clock func() time.Time

	mu   sync.Mutex
	last map[string]time.Time // protected by mu
}

func newSeldom() *seldom { return &seldom{clock: time.Now, last: map[string]time.Time{}} }

// now tells whether it is time to tell of a thing, and takes it as told.
func (s *seldom) now(what string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.clock()
	if last, ok := s.last[what]; ok && !now.Before(last) && now.Sub(last) < seldomTime {
		return false
	}
	s.last[what] = now
	return true
}
