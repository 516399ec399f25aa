package events

import "time"

// Clock is the reading of a hybrid logical clock: 48 bits of milliseconds since 1970, then a 16 bit counter. It says
// when a record was written, and never stands still or goes back within a run.
//
// Source: Kulkarni, Demirbas, Madappa, Avva, Leone, "Logical Physical Clocks" (2014), the rule for local events.
// Devices never merge the clock of another, so there is no rule for messages.
type Clock uint64

// ClockOf packs milliseconds and a counter.
func ClockOf(at Millis, counter uint16) Clock { return Clock(uint64(at)<<16 | uint64(counter)) }

// At is the clock's milliseconds.
func (c Clock) At() Millis { return Millis(c >> 16) }

// Counter tells apart what the clock reads within one millisecond.
func (c Clock) Counter() uint16 { return uint16(c) }

// StepBack is how far a device may find itself before its last record until that is a new run of its clock.
const StepBack = Millis(time.Minute / time.Millisecond)

// Next is the reading for an event at the physical time now, after last.
//
// Where now lies at most StepBack before last, the milliseconds of last stand and the counter goes on. Where it lies
// further back, the device's clock was put back: the reading starts a new run at now, and stepped tells by how many
// milliseconds (a negative number), which the device writes down as the first record of the run.
func (last Clock) Next(now Millis) (next Clock, stepped Millis) {
	now = min(max(now, 0), 1<<48-1)
	switch {
	case now > last.At():
		return ClockOf(now, 0), 0
	case now < last.At()-StepBack:
		return ClockOf(now, 0), now - last.At()
	}
	return last + 1, 0 // a full counter carries into the milliseconds
}
