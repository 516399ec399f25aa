package audit

import (
	"encoding/json"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/witness"
)

// List is the answer of the command.
type List struct {
	Records []Row `json:"records"`
}

// Row is one record. Kind, times, site, machine, visit, by and body are as written; Flags, State and CorrectedBy tell
// what became of it.
type Row struct {
	ID          string             `json:"id"`
	Device      events.DeviceID    `json:"device"`
	Seq         events.Seq         `json:"seq"`
	Kind        events.Kind        `json:"kind"`
	Done        string             `json:"done"`
	Written     string             `json:"written"`                  // by the device's clock
	Received    *string            `json:"received"`                 // null while it is only kept
	NotBefore   *string            `json:"not_before"`               // it was written not before; null where nothing bounds it
	NotAfter    *string            `json:"not_after"`                // it was written not after
	Offset      *events.Millis     `json:"clock_offset_ms"`          // the centre's clock less the device's; null where it was not measured in that run of the clock
	Measured    string             `json:"clock_measured,omitempty"` // the offset: before the record, or only after it
	Likely      *string            `json:"written_likely"`           // written and the offset, where that can be
	Zone        string             `json:"zone,omitempty"`           // of the site, by its IANA name
	By          events.StaffCode   `json:"by"`
	Site        events.SiteID      `json:"site"`
	Machine     events.MachineID   `json:"machine"`
	Visit       *string            `json:"visit"`
	State       projections.State  `json:"state"`
	Held        string             `json:"held,omitempty"` // why
	Flags       []projections.Flag `json:"flags"`
	CorrectedBy []string           `json:"corrected_by"`     // ids, in the order of the fold
	Target      string             `json:"target,omitempty"` // of a correction: an id, or device/seq/hash where it has not come
	Stage       projections.Stage  `json:"stage"`
	Body        json.RawMessage    `json:"body"`
	Erased      []Erased           `json:"erased,omitempty"` // pieces of evidence that the body names
}

// Erased tells of a piece of evidence that was erased.
type Erased struct {
	Evidence string `json:"evidence"` // its digest, in hexadecimal
	On       string `json:"on"`
	By       string `json:"by"` // a staff code, or else the office's device
	Ground   string `json:"ground"`
}

// Rows lists those records of h that q asks for, in the order of the fold. show writes a body as JSON. reg, which may be
// nil, flags what does not stand on it. said is what stands about the records of h.All beside their own word; where it is
// nil, nobody has looked.
func Rows(h projections.History, q Query, reg *projections.Register, said []witness.Said, show func(*events.Record) json.RawMessage) List {
	x := newIndex(h)
	wanted := x.wanted(q)
	list := List{Records: []Row{}}
	for i := range h.All {
		if !wanted[i] {
			continue
		}
		row := x.row(i, reg, show)
		if said != nil {
			row.add(said[i], h.All[i].Record.Zone)
		}
		list.Records = append(list.Records, row)
	}
	return list
}

// add puts what is said about a record into its row, with times at an offset in minutes.
func (row *Row) add(s witness.Said, zone int) {
	known := func(at events.Millis) *string {
		if at == 0 {
			return nil
		}
		text := at.Format(zone)
		return &text
	}
	row.NotBefore, row.NotAfter, row.Likely = known(s.NotBefore), known(s.NotAfter), known(s.Likely)
	if o := s.Offset; o != nil {
		row.Offset, row.Measured = &o.Millis, "before"
		if o.After {
			row.Measured = "after"
		}
	}
	row.Stage, row.Flags = s.Stage, append(row.Flags, s.Flags...)
}

func (x *index) row(i int, reg *projections.Register, show func(*events.Record) json.RawMessage) Row {
	f := &x.all[i]
	r := &f.Record
	row := Row{
		ID: r.ID.String(), Device: r.Device, Seq: r.Seq, Kind: r.Kind, Done: r.Done.Format(r.Zone), Written: r.Clock.At().Format(r.Zone),
		By: r.By, Site: r.Site, Machine: r.Machine, State: f.State, Flags: append([]projections.Flag{}, f.Flags...), CorrectedBy: []string{}, Stage: f.Stage, Body: show(r),
	}
	if f.Received != 0 {
		received := f.Received.Format(r.Zone)
		row.Received = &received
	}
	if !r.Visit.IsZero() {
		visit := r.Visit.String()
		row.Visit = &visit
	}
	switch {
	case f.Branch == projections.Unsettled:
		row.Held = "two copies of its device wrote, and which branch stands is not settled"
	case f.Branch == projections.Overruled:
		row.Held = "two copies of its device wrote, and the other branch stands"
	case f.State == projections.Held:
		if row.Held = f.Held; row.Held == "" {
			row.Held = "waits for the office"
		}
	}
	if reg != nil {
		row.Flags = append(row.Flags, reg.Flags(f)...)
		row.Zone = reg.Zone(f.Site, f.At)
	}
	for _, c := range x.corrections[i] {
		row.CorrectedBy = append(row.CorrectedBy, x.all[c].Record.ID.String())
	}
	if target, ok := x.targets[i]; ok {
		row.Target = name(target)
		if at, here := x.above(i); here {
			row.Target = x.all[at].Record.ID.String()
		}
	}
	return row
}

// name is how a record is shown whose id is not known.
func name(t events.Target) string {
	return string(t.Device) + "/" + seq(t.Seq) + "/" + t.Hash.String()
}
