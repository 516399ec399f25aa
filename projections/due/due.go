// Package due tells when a machine is to be visited next, and why: by the longest gap between visits that the
// agreement allows.
package due

import (
	"fmt"
	"math"
	"time"

	"ullage/events"
	"ullage/projections"
)

// Machine is when one machine is due. Dates are days in its site's local time; unknown ones are null.
type Machine struct {
	Machine  events.MachineID `json:"machine"`
	Due      *string          `json:"due"`
	Earliest *string          `json:"earliest"` // no rule gives one yet
	Latest   *string          `json:"latest"`
	Why      string           `json:"why"`
}

const daysInYear = 365

// Fold finds the last visit in which work on the machine was ended, and counts the longest gap from it. reg must hold
// the sites and agreements. load finds a time zone by its IANA name.
func Fold(in projections.Input, reg *projections.Register, load func(name string) (*time.Location, error)) Machine {
	d := Machine{Machine: in.Machine}
	var last *projections.Fact
	for i := range in.History.Facts {
		f := &in.History.Facts[i]
		if b, ok := f.Body.(*events.WorkEnded); ok && f.Machine == in.Machine && (b.Outcome == "complete" || b.Outcome == "partial") {
			last = f
		}
	}
	placed, ok := reg.Machine(in.Machine, events.MaxMillis)
	agreement, agreed := reg.Agreement(placed.Site, events.MaxMillis)
	switch {
	case ok && placed.Retired:
		d.Why = "the machine is retired"
	case !agreed || agreement.VisitsAYear == nil || *agreement.VisitsAYear <= 0:
		d.Why = "no agreement says how often"
	case last == nil:
		d.Why = "no work on it was ended yet"
	default:
		gap := int(math.Floor(daysInYear / *agreement.VisitsAYear))
		from := reg.Local(last, load)
		day := from.AddDate(0, 0, gap).Format(time.DateOnly)
		d.Due, d.Latest = &day, &day
		d.Why = fmt.Sprintf("%g visits a year leave at most %d days between two; work on it was last ended on %s", *agreement.VisitsAYear, gap, from.Format(time.DateOnly))
	}
	return d
}
