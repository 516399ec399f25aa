package projections

import (
	"bytes"
	"slices"
	"time"

	"ullage/events"
)

// view is what counts of a record: the envelope and the body as corrections leave them, and whether it was withdrawn.
type view struct {
	done      events.Millis
	zone      int
	site      events.SiteID
	machine   events.MachineID
	visit     events.RecordID
	by        events.StaffCode
	raw       []byte // of body
	content   Content
	odd       bool // a correction says what cannot be
	withdrawn bool
}

func asWritten(f *Fact) view {
	w := &f.Record
	return view{done: w.Done, zone: w.Zone, site: w.Site, machine: w.Machine, visit: w.Visit, by: w.By, raw: w.Body, content: f.content()}
}

// put makes the fact what the view says.
func (v view) put(f *Fact) {
	f.Done, f.Zone, f.Site, f.Machine, f.Visit, f.By = v.done, v.zone, v.site, v.machine, v.visit, v.by
	f.Body, f.Flags = v.content.Body, v.content.Flags
	if v.odd && !slices.Contains(f.Flags, OddMeaning) {
		f.Flags = append(slices.Clone(f.Flags), OddMeaning)
	}
	f.At = f.Done
	if f.Received != 0 && f.Done > f.Received {
		f.At = f.Received
		f.Flags = append(slices.Clone(f.Flags), InFuture)
	}
}

// amend is what counts after an amendment of a record of that kind and version; what the amendment leaves out stands.
// An amendment of what was withdrawn brings it back.
func (v view) amend(b *events.RecordAmended, kind events.Kind, version int) view {
	v.withdrawn = false
	if len(b.Body) > 0 {
		v.raw, v.content = b.Body, Read(kind, version, b.Body)
	}
	if b.Site != "" {
		v.site = b.Site
	}
	if b.Machine != "" {
		v.machine = b.Machine
	}
	if !b.Visit.IsZero() {
		v.visit = b.Visit
	}
	if b.By != "" {
		v.by = b.By
	}
	if b.Done != "" {
		done, err := time.Parse(time.RFC3339, string(b.Done))
		if at := events.MillisOf(done); err == nil && at >= events.MinMillis && at <= events.MaxMillis {
			_, offset := done.Zone()
			v.done, v.zone = at, offset/60
		} else {
			v.odd = true
		}
	}
	return v
}

// same tells whether two views say the same.
func (v view) same(w view) bool {
	return v.withdrawn == w.withdrawn && v.done == w.done && v.zone == w.zone && v.site == w.site && v.machine == w.machine &&
		v.visit == w.visit && v.by == w.by && bytes.Equal(v.raw, w.raw)
}
