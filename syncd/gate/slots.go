package gate

import (
	"math/rand/v2"
	"sync"
	"time"

	"ullage/events"
)

// slots admits a number of devices at once, each of them once, and tells those that it turns away when to come back.
//
// When all come at once, each that comes back too early costs an answer, and each that comes back too late leaves a slot
// empty. So they stand in a line without standing there: each gets an appointment, behind the one before by as much
// as the slots have lately needed. Who has one and comes before it hears of the same again: one that does not wait
// makes nobody else wait longer.
type slots struct {
	most int

	mu   sync.Mutex // guards what follows
	in   map[events.DeviceID]time.Time
	due  map[events.DeviceID]time.Time // when those that were turned away are to come
	last time.Time                     // the latest in due
	each time.Duration                 // that one is in, on average of about the last 32
}

// Between these lies the time after which a device is to come back. Where the line is longer than mostWait, its end is
// told something between that and half of it: nobody knows whether those before it will come, or how fast it will move.
const (
	leastWait = 200 * time.Millisecond
	mostWait  = 12 * time.Second
)

func newSlots(most int) slots {
	return slots{most: most, in: map[events.DeviceID]time.Time{}, due: map[events.DeviceID]time.Time{}}
}

// take admits a device, or says how long it is to wait.
func (s *slots) take(d events.DeviceID, now time.Time) (ok bool, wait time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, again := s.in[d]; again {
		return false, leastWait
	}
	if len(s.in) < s.most {
		s.in[d] = now
		delete(s.due, d)
		return true, 0
	}
	if now.After(s.last) { // the line has ended
		s.last = now
		clear(s.due)
	}
	due := s.due[d]
	if !due.After(now) {
		due = s.last.Add(s.pace(now))
		if due.Sub(now) > mostWait {
			due = now.Add(mostWait/2 + rand.N(mostWait/2))
		} else {
			s.last = due
		}
		s.due[d] = due
	}
	return false, max(due.Sub(now), leastWait)
}

// pace is how far behind the one before the next appointment lies: two thirds of what the slots need for one, for not all
// come. Where nothing moves, those that are in tell so. The caller holds mu.
func (s *slots) pace(now time.Time) time.Duration {
	var in time.Duration
	for _, since := range s.in {
		in += now.Sub(since)
	}
	most := time.Duration(s.most)
	return max(s.each, in/most) / most * 2 / 3
}

// give ends what take began.
func (s *slots) give(d events.DeviceID, now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.each += (now.Sub(s.in[d]) - s.each) / 32
	delete(s.in, d)
}
