package events_test

import (
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
)

// TestClockStepBack goes over the edge at which a new run of the clock begins.
func TestClockStepBack(t *testing.T) {
	const at = events.Millis(1772438700000)
	last := events.ClockOf(at, 7)
	for _, c := range []struct {
		now     events.Millis
		next    events.Clock
		stepped events.Millis
	}{
		{at + 1, events.ClockOf(at+1, 0), 0},
		{at, events.ClockOf(at, 8), 0},
		{at - events.StepBack, events.ClockOf(at, 8), 0},
		{at - events.StepBack - 1, events.ClockOf(at-events.StepBack-1, 0), -events.StepBack - 1},
		{0, 0, -at},
		{-5, 0, -at},
		{1 << 60, events.ClockOf(1<<48-1, 0), 0},
	} {
		next, stepped := last.Next(c.now)
		if next != c.next || stepped != c.stepped {
			t.Errorf("at %d: got (%d,%d), stepped %d, want (%d,%d), stepped %d", c.now, next.At(), next.Counter(), stepped, c.next.At(), c.next.Counter(), c.stepped)
		}
	}
	if next, _ := events.ClockOf(at, 1<<16-1).Next(at); next != events.ClockOf(at+1, 0) {
		t.Errorf("a full counter: got (%d,%d), want (%d,0)", next.At(), next.Counter(), at+1)
	}
}

// TestClockAscends lets a device's clock wander: within a run its readings ascend, never lie before the device's clock,
// and a run ends exactly where the clock was put back by more than StepBack.
func TestClockAscends(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := events.Millis(rapid.Int64Range(0, 1<<42).Draw(t, "start"))
		var last events.Clock
		for _, step := range rapid.SliceOf(rapid.Int64Range(-200_000, 200_000)).Draw(t, "steps") {
			now = max(now+events.Millis(step), 0)
			next, stepped := last.Next(now)
			if back := now - last.At(); (back < -events.StepBack) != (stepped < 0) || stepped < 0 && stepped != back {
				t.Fatalf("from %d to %d: stepped %d", last.At(), now, stepped)
			}
			if stepped == 0 && next <= last {
				t.Fatalf("%d at %d gives %d", last, now, next)
			}
			if next.At() < now || stepped < 0 && next != events.ClockOf(now, 0) {
				t.Fatalf("at %d the clock reads (%d,%d)", now, next.At(), next.Counter())
			}
			last = next
		}
	})
}
