package store

import (
	"slices"

	"ullage/events"
	"ullage/projections"
)

// interest lists the machines that concern a device, ascending: those that stand at the sites of its rounds, and at
// those it was granted.
func (r *reader) interest(device events.DeviceID) ([]events.MachineID, error) {
	arrivals, err := r.history(keyOf(ofInterest, string(device)))
	if err != nil {
		return nil, err
	}
	sites := sitesOf(device, projections.Resolve(arrivals, projections.Now).Facts)
	if len(sites) == 0 {
		return nil, nil
	}
	reg, facts, err := r.register(projections.Now)
	if err != nil {
		return nil, err
	}
	var machines []events.MachineID
	seen := map[events.MachineID]bool{"": true}
	for i := range facts {
		id := facts[i].Machine
		if seen[id] {
			continue
		}
		seen[id] = true
		if placed, ok := reg.Machine(id, events.MaxMillis); ok && !placed.Retired && sites[placed.Site] {
			machines = append(machines, id)
		}
	}
	slices.Sort(machines)
	return machines, nil
}

// sitesOf are the sites that concern a device. A changed round stands in place of what was assigned for that day, and
// what is granted in place of what was granted before.
func sitesOf(device events.DeviceID, facts []projections.Fact) map[events.SiteID]bool {
	rounds := map[events.When][]events.SiteID{}
	var granted []events.SiteID
	for i := range facts {
		switch b := facts[i].Body.(type) {
		case *events.RoundAssigned:
			if b.Device == device {
				rounds[b.Day] = append(rounds[b.Day], b.Sites...)
			}
		case *events.RoundChanged:
			if b.Device == device {
				rounds[b.Day] = b.Sites
			}
		case *events.InterestGranted:
			if b.Device == device {
				granted = b.Sites
			}
		}
	}
	sites := map[events.SiteID]bool{}
	for _, site := range granted {
		sites[site] = true
	}
	for _, round := range rounds {
		for _, site := range round {
			sites[site] = true
		}
	}
	return sites
}
