package projections

import (
	"fmt"
	"time"

	"ullage/events"
)

// ParseBound reads a bound of time as people give it: RFC 3339 with zone, or a date, which means the end of that day in
// UTC. A bound is inclusive.
func ParseBound(s string) (events.Millis, error) {
	t, err := events.ParseWhen(s)
	if err != nil {
		return 0, fmt.Errorf("%q: %w", s, err)
	}
	if len(s) == len(time.DateOnly) {
		t = t.AddDate(0, 0, 1).Add(-time.Millisecond)
	}
	return events.MillisOf(t), nil
}
