package evidence

import (
	"slices"
	"strings"

	"ullage/events"
	"ullage/projections"
)

// Confirmation is a device's word that its copy of a piece is gone.
type Confirmation struct {
	Seq events.Seq
	Origin
}

// Confirmed is what devices have confirmed. It may be filled in any order, with repeats; the zero value is empty.
type Confirmed struct {
	pieces map[events.Digest]map[events.DeviceID]Confirmation
}

// Add takes an arrival, and tells whether it is a device's confirmation. It counts as it was written, whatever became
// of it, unless it is held.
func (c *Confirmed) Add(a *projections.Arrival) bool {
	b, ok := asWritten(a)
	if !ok || a.Office {
		return false
	}
	if a.Held != "" {
		return true
	}
	r := &a.Record
	for _, d := range b.Evidence {
		of := c.pieces[d]
		if of == nil {
			of = map[events.DeviceID]Confirmation{}
			if c.pieces == nil {
				c.pieces = map[events.Digest]map[events.DeviceID]Confirmation{}
			}
			c.pieces[d] = of
		}
		// The device's first word stands.
		if had, known := of[r.Device]; !known || r.Seq < had.Seq {
			of[r.Device] = Confirmation{r.Seq, Origin{r.ID, r.Device, r.By, r.Done, r.Zone}}
		}
	}
	return true
}

// Of lists who has confirmed that a piece is gone, by device.
func (c *Confirmed) Of(d events.Digest) []Confirmation {
	all := make([]Confirmation, 0, len(c.pieces[d]))
	for _, x := range c.pieces[d] {
		all = append(all, x)
	}
	slices.SortFunc(all, func(a, b Confirmation) int { return strings.Compare(string(a.Device), string(b.Device)) })
	return all
}

// By tells whether a device has confirmed it in one of its records up to a number.
func (c *Confirmed) By(device events.DeviceID, d events.Digest, upto events.Seq) bool {
	x, ok := c.pieces[d][device]
	return ok && x.Seq <= upto
}

// Without lists the pieces that devices say they have erased and that nobody has ordered to be, ascending.
func (c *Confirmed) Without(s *State) []events.Digest {
	var all []events.Digest
	for d := range c.pieces {
		if _, ordered := s.Erased(d); !ordered {
			all = append(all, d)
		}
	}
	slices.SortFunc(all, func(a, b events.Digest) int { return slices.Compare(a[:], b[:]) })
	return all
}
