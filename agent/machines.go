package agent

import (
	"maps"
	"net/http"
	"slices"

	"ullage/agent/page"
	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// servePage shows the plain page.
func (d *Device) servePage(w http.ResponseWriter, _ *http.Request) {
	data, err := d.page()
	if err != nil {
		d.failed(w, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(page.Render(data))
}

// page is what the page shows now.
func (d *Device) page() (page.Data, error) {
	s, err := d.Status()
	if err != nil {
		return page.Data{}, err
	}
	now := d.cfg.Now()
	data := page.Data{
		Device: string(s.Device), Now: now, Records: s.Records, Received: s.Received, Waiting: s.Waiting, Alarms: s.Alarms,
	}
	if s.Why != nil {
		data.Why = *s.Why
	}
	if s.since.at != 0 {
		data.Since = s.since.at.In(s.since.zone)
	}
	if m := d.memory.get(); m.LastSync != 0 {
		data.LastSync = m.LastSync.In(m.Zone)
	}
	data.Machines, err = d.machines()
	return data, err
}

// machines are those that the device knows of, each with the last volume that stands.
func (d *Device) machines() ([]page.Machine, error) {
	held, err := d.heldNow()
	if err != nil {
		return nil, err
	}
	arrivals, sites, err := d.readings(held)
	if err != nil {
		return nil, err
	}
	last := map[events.MachineID]*page.Volume{}
	history := projections.Resolve(arrivals, projections.Now)
	for i := range history.Facts { // in the order in which it happened
		f := &history.Facts[i]
		if _, v, ok := held.register.Volume(f); ok {
			b := f.Body.(*events.ReadingTaken)
			shown := &page.Volume{Litres: v.V, Method: string(b.Method), Done: f.Done.In(f.Zone)}
			if b.U != nil {
				shown.U = v.U
			}
			last[f.Machine] = shown
			if _, known := sites[f.Machine]; !known {
				sites[f.Machine] = f.Site
			}
		}
	}
	var list []page.Machine
	for _, m := range slices.Sorted(maps.Keys(sites)) {
		list = append(list, page.Machine{Machine: string(m), Site: string(sites[m]), Volume: last[m]})
	}
	return list, nil
}

// readings are the last readings of each machine, the device's own and others', with what corrects them, and the
// machines that are known, with their sites.
func (d *Device) readings(held *heldView) ([]projections.Arrival, map[events.MachineID]events.SiteID, error) {
	d.own.mu.Lock()
	defer d.own.mu.Unlock()
	if err := d.own.catchUp(); err != nil {
		return nil, nil, err
	}
	sites := maps.Clone(d.own.machines)
	for m := range held.machines {
		placed, _ := held.register.Machine(m, events.MaxMillis)
		sites[m] = placed.Site
	}
	arrivals := slices.Clone(held.fixes)
	add := func(p wire.Pulled) (events.Hash, error) {
		a, err := arrival(p)
		arrivals = append(arrivals, a)
		return a.Hash, err
	}
	for _, list := range held.recent {
		for _, r := range list {
			if _, err := add(r.Pulled); err != nil {
				return nil, nil, err
			}
		}
	}
	for _, list := range d.own.recent {
		for _, r := range list {
			hash, err := add(r.Pulled)
			if err != nil {
				return nil, nil, err
			}
			for _, seq := range d.own.over[hash] {
				raw, err := d.journal.Record(seq)
				if err != nil {
					return nil, nil, err
				}
				if _, err := add(wire.Pulled{Record: raw}); err != nil {
					return nil, nil, err
				}
			}
		}
	}
	return arrivals, sites, nil
}
