package events

import "strconv"

// ClockChecked tells how the device's clock stood against the centre's, or that it was put back: then it is the first
// record of a new run of the clock.
type ClockChecked struct {
	OffsetMs    *int64 `f:"offset_ms"` // the centre's clock less the device's
	RoundTripMs *int64 `f:"round_trip_ms" lo:"0"`
	SteppedMs   *int64 `f:"stepped_ms" hi:"-1"` // how far the clock went, always back
}

var _ = define[ClockChecked]("clock.checked", 1, anyone)

func (*ClockChecked) Kind() Kind { return "clock.checked" }

func (b *ClockChecked) check() error {
	switch {
	case b.SteppedMs == nil:
		return needOne(b.OffsetMs != nil, "offset_ms", "stepped_ms")
	case b.OffsetMs != nil:
		return &FieldError{"stepped_ms", strconv.FormatInt(*b.SteppedMs, 10), "a check has offset_ms or stepped_ms, not both"}
	case b.RoundTripMs != nil:
		return &FieldError{"round_trip_ms", strconv.FormatInt(*b.RoundTripMs, 10), "belongs to offset_ms"}
	}
	return nil
}
