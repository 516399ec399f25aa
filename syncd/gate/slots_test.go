package gate

import (
	"fmt"
	"testing"
	"time"

	"ullage/events"
)

func someone(n int) events.DeviceID { return events.DeviceID(fmt.Sprintf("dev-%d", n)) }

// fill takes all slots of s, each for so long before, and leaves them taken.
func fill(t *testing.T, s *slots, now time.Time, each time.Duration) {
	t.Helper()
	for range 500 { // until the average is what it is now
		s.take("before", now.Add(-each))
		s.give("before", now)
	}
	for n := range s.most {
		if ok, _ := s.take(someone(-1-n), now); !ok {
			t.Fatalf("slot %d of %d is not free", n, s.most)
		}
	}
}

// TestAppointments turns away a crowd: its devices are told to come one after the other, half as fast again as the slots
// have moved; those for whom the line is too long, at some time within its bound.
func TestAppointments(t *testing.T) {
	s, now := newSlots(4), time.Unix(1000, 0)
	fill(t, &s, now, 600*time.Millisecond)
	const pace = 600 * time.Millisecond / 4 * 2 / 3
	line := int(mostWait / pace)
	for n := range 3 * line {
		ok, wait := s.take(someone(n), now)
		want := time.Duration(n+1) * pace
		switch {
		case ok:
			t.Fatal("one is admitted where there is no slot")
		case n < line-5 && (wait < want*95/100 || wait > want*105/100) && wait != leastWait:
			t.Fatalf("device %d of the line is to wait for %s, want about %s", n, wait, want)
		case n > line+line/10 && (wait < mostWait/2 || wait > mostWait):
			t.Fatalf("device %d, behind the line, is to wait for %s, want %s at most, and at least half of it", n, wait, mostWait)
		}
	}
	before := len(s.due)
	for n := range s.most {
		s.give(someone(-1-n), now)
	}
	if ok, _ := s.take(someone(5), now); !ok || len(s.due) != before-1 {
		t.Error("a free slot is kept from one that has an appointment, or its appointment stands")
	}
}

// TestNewLine lets a line end: the next one begins at once, and remembers nothing of it.
func TestNewLine(t *testing.T) {
	s, now := newSlots(1), time.Unix(1000, 0)
	fill(t, &s, now, 100*time.Millisecond)
	for n := range 100 {
		s.take(someone(n), now)
	}
	s.give(someone(-1), now)
	now = now.Add(mostWait + time.Second)
	s.take(someone(-1), now)
	if _, wait := s.take("late", now); wait > 2*leastWait {
		t.Errorf("the first of a new line is to wait for %s", wait)
	}
	if len(s.due) != 1 {
		t.Errorf("%d appointments are known, want 1", len(s.due))
	}
}

// TestOneMakesNobodyWait lets devices ask without a pause, one that is being answered and one that is not: neither is
// admitted twice, each hears of the same appointment again, and the line does not grow.
func TestOneMakesNobodyWait(t *testing.T) {
	s, now := newSlots(2), time.Unix(1000, 0)
	fill(t, &s, now, time.Second)
	_, first := s.take("loops", now)
	for range 1000 {
		if ok, _ := s.take(someone(-1), now); ok {
			t.Fatal("one is admitted twice")
		}
		if ok, wait := s.take("loops", now); ok || wait != first {
			t.Fatalf("one that asks again is to wait for %s (admitted: %v), want %s as before", wait, ok, first)
		}
	}
	if _, wait := s.take("honest", now); wait > first+s.each {
		t.Errorf("the next one is to wait for %s, want little more than %s", wait, first)
	}
}

// TestStall lets those that are in stay in: soon those that are turned away stay away for long.
func TestStall(t *testing.T) {
	s, now := newSlots(4), time.Unix(1000, 0)
	fill(t, &s, now, time.Millisecond)
	now = now.Add(time.Minute)
	for n := range 10 {
		if _, wait := s.take(someone(n), now); n > 0 && wait < mostWait/2 {
			t.Errorf("one is to come after %s, though nothing has moved for a minute", wait)
		}
	}
}
