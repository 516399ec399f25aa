package store

import (
	"fmt"
	"sync"

	"ullage/events"
	"ullage/projections"
)

// input gathers all that the projections of a machine are folded from. The register is the whole one: what went into a
// vessel from another machine is told apart by that one's tanks.
func (r *reader) input(id events.MachineID, b projections.Bounds) (projections.Input, error) {
	in := projections.Input{Machine: id, Bounds: b}
	own, err := r.some(machineKey(id), "machine "+string(id))
	if err != nil {
		return in, err
	}
	in.History = projections.Resolve(own, b)
	if in.Register, _, err = r.register(b); err != nil {
		return in, err
	}
	var vessels []string
	for _, key := range projections.Needs(id, in.History) {
		if key.Space == projections.OfVessel {
			vessels = append(vessels, key.Name)
		}
	}
	in.Vessels, err = r.vessels(vessels, in.Register, b)
	return in, err
}

// vessels is the histories of some vessels, and of those that were poured into them, over any number of steps: whose
// fluid it is in a pail depends on where the fluid came from.
func (r *reader) vessels(names []string, reg *projections.Register, b projections.Bounds) (projections.History, error) {
	var all []projections.Arrival
	done := map[string]bool{}
	for ; len(names) > 0; names = names[1:] {
		if done[names[0]] {
			continue
		}
		done[names[0]] = true
		arrivals, err := r.history(keyOf(projections.OfVessel, names[0]))
		if err != nil {
			return projections.History{}, err
		}
		all = append(all, arrivals...)
		h := projections.Resolve(arrivals, b)
		for i := range h.Facts {
			if from := pouredFrom(&h.Facts[i], reg); from != "" {
				names = append(names, string(from))
			}
		}
	}
	return projections.Resolve(all, b), nil
}

// pouredFrom is the vessel that a flow came from; empty where there is none.
func pouredFrom(f *projections.Fact, reg *projections.Register) (from events.Code) {
	switch b := f.Body.(type) {
	case *events.VesselEmptied:
		return b.Vessel
	case *events.FluidAdded:
		from = b.From
	case *events.FluidRemoved:
		from = b.From
	case *events.FluidReturned:
		from = b.From
	}
	if projections.IsPlace(from) {
		return ""
	}
	for _, at := range []events.Millis{f.At, events.MaxMillis} { // a tank is one before the office has entered it, too
		if _, tank := projections.IsTank(reg.Entry(f.Machine, at), from); tank {
			return ""
		}
	}
	return from
}

// remembered is the whole register without bounds, which most questions ask for. It is good until a message touches it.
type remembered struct {
	mu       sync.Mutex
	since    int64 // the last message that touched it
	facts    []projections.Fact
	register *projections.Register
}

// register is the whole register, and its facts.
func (r *reader) register(b projections.Bounds) (*projections.Register, []projections.Fact, error) {
	since, err := column[int64](r, `SELECT coalesce(max(since), 0) FROM touch WHERE key=?`, registerKey)
	if err != nil {
		return nil, nil, err
	}
	k := &r.m.register
	if b == projections.Now {
		k.mu.Lock()
		defer k.mu.Unlock()
		if k.register != nil && k.since == since[0] {
			return k.register, k.facts, nil
		}
	}
	arrivals, err := r.history(registerKey)
	if err != nil {
		return nil, nil, fmt.Errorf("register: %w", err)
	}
	h := projections.Resolve(arrivals, b)
	register := projections.NewRegister(h)
	if b == projections.Now && since[0] >= k.since {
		k.since, k.facts, k.register = since[0], h.Facts, register
	}
	return register, h.Facts, nil
}
