package store

import (
	"context"
	"errors"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// Pull answers a device: the register, and the records of the machines that stand at the sites of its rounds and of
// those it was granted. The copies that a device names are as good as its place: where that does not hold, it begins
// at nothing.
func (s *Store) Pull(ctx context.Context, device events.DeviceID, q wire.PullRequest) (*wire.PullAnswer, error) {
	a := &wire.PullAnswer{}
	err := s.asking(ctx, func(m *model, tx querier) error {
		holds, err := m.holds(tx, q.Place)
		if err != nil {
			return err
		}
		if !holds {
			a.Reset, q = true, wire.PullRequest{}
		}
		machines, err := m.interest(tx, device)
		if err != nil {
			return err
		}
		copies := map[events.MachineID]uint64{}
		for _, c := range q.Copies {
			copies[c.Machine] = c.Seq
			if !slices.Contains(machines, c.Machine) {
				a.Drop = append(a.Drop, c.Machine)
			}
		}
		room := wire.MaxPull
		last, more, err := m.pull(tx, registerKey, q.Place.Seq, device, &room, a)
		if err != nil {
			return err
		}
		a.More = more
		if a.Place, err = m.placeOf(tx, last); err != nil {
			return err
		}
		for _, id := range machines {
			at := copies[id]
			if !a.More {
				if at, a.More, err = m.pull(tx, machineKey(id), at, device, &room, a); err != nil {
					return err
				}
			}
			a.Copies = append(a.Copies, wire.Copy{Machine: id, Seq: at})
		}
		return nil
	})
	return a, err
}

var errNoRoom = errors.New("no room")

// pull adds the records of a history behind the message after, of whole messages only, as long as there is room; one
// message always fits. It returns the last message that is in whole, and whether more follow.
func (m *model) pull(q querier, key string, after uint64, device events.DeviceID, room *int, a *wire.PullAnswer) (last uint64, more bool, err error) {
	last = after
	whole := len(a.Records)
	push := uint64(0)
	err = m.arrivals(q, key, after, func(x *arrival) error {
		if x.push != push {
			if push != 0 {
				last, whole = push, len(a.Records)
			}
			push = x.push
		}
		if x.Held != "" || x.Record.Device == device {
			return nil
		}
		size := len(x.raw) + 48
		if size > *room && whole > 0 {
			return errNoRoom
		}
		*room -= size
		a.Records = append(a.Records, wire.Pulled{Record: x.raw, Received: x.Received, Commit: x.Commit})
		return nil
	})
	if errors.Is(err, errNoRoom) {
		a.Records = a.Records[:whole]
		return last, true, nil
	}
	if push != 0 {
		last = push
	}
	return last, false, err
}

// holds tells whether a place is one of this model's.
func (m *model) holds(q querier, p wire.Place) (bool, error) {
	if p.IsZero() {
		return true, nil
	}
	if p.Created != m.place().Created {
		return false, nil
	}
	here, err := m.placeOf(q, p.Seq)
	return here == p, err
}

// placeOf is the place of a message; zero where it is not in the model.
func (m *model) placeOf(q querier, seq uint64) (wire.Place, error) {
	if seq == 0 {
		return wire.Place{}, nil
	}
	rows, err := q.Query(`SELECT data FROM push WHERE seq=?`, int64(seq))
	if err != nil {
		return wire.Place{}, err
	}
	data, err := collect[[]byte](rows)
	if err != nil || len(data) == 0 {
		return wire.Place{}, err
	}
	return wire.Place{Seq: seq, Hash: wire.HashData(data[0]), Created: m.place().Created}, nil
}

// interest lists the machines that concern a device, ascending.
func (m *model) interest(q querier, device events.DeviceID) ([]events.MachineID, error) {
	arrivals, err := m.history(q, interestKey(device))
	if err != nil {
		return nil, err
	}
	sites, granted := map[events.SiteID]bool{}, []events.SiteID(nil)
	for _, f := range projections.Resolve(arrivals, projections.Now).Facts {
		switch b := f.Body.(type) {
		case *events.RoundAssigned:
			for _, site := range b.Sites {
				sites[site] = true
			}
		case *events.InterestGranted:
			granted = b.Sites // in the place of what was granted before
		}
	}
	for _, site := range granted {
		sites[site] = true
	}
	if len(sites) == 0 {
		return nil, nil
	}
	register, err := m.history(q, registerKey)
	if err != nil {
		return nil, err
	}
	var machines []events.MachineID
	seen := map[events.MachineID]bool{}
	facts := projections.Resolve(register, projections.Now)
	reg := projections.NewRegister(facts)
	for _, f := range facts.Facts {
		if f.Machine == "" || seen[f.Machine] {
			continue
		}
		seen[f.Machine] = true
		if placed, ok := reg.Machine(f.Machine, events.MaxMillis); ok && !placed.Retired && sites[placed.Site] {
			machines = append(machines, f.Machine)
		}
	}
	slices.Sort(machines)
	return machines, nil
}
