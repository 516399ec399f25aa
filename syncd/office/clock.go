package office

import (
	"time"

	"ullage/events"
	"ullage/projections"
)

// stamp is a time as a page shows it, and as it exactly is.
type stamp struct{ Text, Exact string }

// clock shows the times of a page: in the local time of the site where the register gives its zone, and else at the
// offset that each record brings. The offset is told once, and again beside those times that have another.
type clock struct {
	loc  *time.Location // nil where it is not known
	zone string         // the offset that is told once: "UTC+01:00"; empty: it is not told
	year int            // that need not be told
}

func clockOf(reg *projections.Register, site events.SiteID, now time.Time) *clock {
	c := &clock{year: now.Year()}
	if name := reg.Zone(site, events.MaxMillis); name != "" {
		if loc, err := time.LoadLocation(name); err == nil { // one that this machine does not know counts as none
			c.loc = loc
		}
	}
	return c
}

// local reads a time of a result.
func (c *clock) local(rfc3339 string) (time.Time, bool) {
	t, err := time.Parse(time.RFC3339Nano, rfc3339)
	if err == nil && c.loc != nil {
		t = t.In(c.loc)
	}
	return t, err == nil
}

func offset(t time.Time) string { return "UTC" + t.Format("-07:00") }

// settle takes the offset of a time as the one that is told once.
func (c *clock) settle(rfc3339 string) {
	if t, ok := c.local(rfc3339); ok {
		c.zone = offset(t)
	}
}

// stamp shows a time; what is no time is shown as it is.
func (c *clock) stamp(rfc3339 string) stamp {
	t, ok := c.local(rfc3339)
	if !ok {
		return stamp{rfc3339, rfc3339}
	}
	form := "2 Jan 2006, 15:04"
	if t.Year() == c.year {
		form = "2 Jan, 15:04"
	}
	text := t.Format(form)
	if c.zone != "" && offset(t) != c.zone {
		text += " (" + offset(t) + ")"
	}
	return stamp{text, rfc3339}
}

// freshness is the moment up to which a page has what was received.
func freshness(t time.Time) stamp {
	return stamp{t.Format("2 Jan 2006, 15:04:05") + " (" + offset(t) + ")", t.Format(time.RFC3339)}
}

// moment is a time of the centre's own, in the zone that it is given in.
func moment(rfc3339 string) stamp {
	t, err := time.Parse(time.RFC3339Nano, rfc3339)
	if err != nil {
		return stamp{rfc3339, rfc3339}
	}
	return stamp{t.Format("2 Jan 2006, 15:04") + " (" + offset(t) + ")", rfc3339}
}
