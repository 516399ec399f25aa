package events

import (
	"errors"
	"strings"
	"time"
)

var errWhen = errors.New("not a time (2026-03-02T09:05:00+01:00) and not a date (2026-03-02)")

// ParseWhen reads RFC 3339 with zone and at most nine digits after the second, or a date, which stands for its first
// moment in UTC; the years 1 to 9999.
func ParseWhen(s string) (time.Time, error) {
	layout := time.RFC3339
	if len(s) == len(time.DateOnly) {
		layout = time.DateOnly
	}
	// time.Parse takes more than RFC 3339 has: hours of one digit, a comma before the fraction, a zone of +24:60.
	t, err := time.Parse(layout, s)
	if err != nil || !whenShape(s) || MillisOf(t) < MinMillis || MillisOf(t) > MaxMillis {
		return time.Time{}, errWhen
	}
	return t, nil
}

// whenShape tells whether every character of a time or a date stands at its place.
func whenShape(s string) bool {
	fits := func(shape string) bool {
		if len(s) < len(shape) {
			return false
		}
		for i, c := range []byte(shape) {
			if d := s[i]; c == '0' && (d < '0' || d > '9') || c != '0' && c != d {
				return false
			}
		}
		s = s[len(shape):]
		return true
	}
	if !fits("0000-00-00") {
		return false
	}
	if s == "" {
		return true
	}
	if !fits("T00:00:00") {
		return false
	}
	if strings.HasPrefix(s, ".") {
		digits := 0
		for s = s[1:]; fits("0"); {
			digits++
		}
		if digits < 1 || digits > 9 {
			return false
		}
	}
	if s == "Z" {
		return true
	}
	zone := strings.TrimLeft(s, "+-")
	return len(s) == len("+00:00") && len(zone) == len("00:00") && zone[:2] <= "23" && zone[3:] <= "59"
}
