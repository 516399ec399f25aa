package store

import (
	"slices"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/list"
	"ullage/projections/machine"
)

// settled is a machine as some message has left it: its history, and the settled results.
//
// Results rest on two things: the records of the machine, and what stands on the register at the times of those. An
// entry that takes effect behind the machine's last record changes none of them. Nor does what others pour into a
// vessel that the machine shares with them; a pail that goes from machine to machine would fold all of them each time.
type settled struct {
	id       events.MachineID
	own      projections.Growing
	needs    map[string]bool        // histories of entries that its results rest on, or did
	register *projections.Register  // nil: to be made anew
	results  [][]projections.Result // of each projection
	folded   int                    // facts of which the results are
	same     int                    // of those, the first ones that give what they gave then
}

// ofOneRecord names the projections whose results come each from one record by itself, with the register at its time.
// Of two results of one name that of the later record stands. So where records come in behind all others, only they
// need be folded.
var ofOneRecord = map[string]bool{machine.Projection.Name: true}

// load folds a machine as the message upto has left it.
func (e *engine) load(id events.MachineID, upto uint64) (*settled, error) {
	s := &settled{id: id, needs: map[string]bool{}, results: make([][]projections.Result, len(list.All))}
	e.db.Lock()
	members, err := e.members(machineKey(id))
	e.db.Unlock()
	if err != nil {
		return nil, err
	}
	var records []*projections.Arrival
	for _, m := range members {
		if m.since <= upto {
			records = append(records, m.Arrival)
		}
	}
	s.add(records)
	return s, s.fold(e, upto)
}

// add takes in records, and returns which histories of entries are needed now that were not before.
func (s *settled) add(records []*projections.Arrival) (needs []string) {
	from := s.own.Add(records...)
	changed := s.own.History.Facts[from:]
	for _, key := range projections.Needs(s.id, projections.History{Facts: changed}) {
		if name := key.String(); isEntry(key.Space) && !s.needs[name] {
			s.needs[name], s.register = true, nil
			needs = append(needs, name)
		}
	}
	s.same = min(s.same, from)
	if from < s.folded || slices.ContainsFunc(changed, func(f projections.Fact) bool { return placesMachine(f.Body) }) {
		s.register, s.same = nil, 0 // an entry may be gone, or new: whoever finds none at a time takes the newest
	}
	return needs
}

// touched says that an entry of the register has changed that counts from a time on.
func (s *settled) touched(from events.Millis) {
	s.register = nil
	for s.same > 0 && s.own.History.Facts[s.same-1].At >= from {
		s.same--
	}
}

// isSettled tells whether the results are those of all facts, as the register has them.
func (s *settled) isSettled() bool {
	return s.same == s.folded && s.folded == len(s.own.History.Facts)
}

// fold makes the results as the message upto has left them.
func (s *settled) fold(e *engine, upto uint64) error {
	if s.register == nil {
		var entries []projections.Arrival
		for key := range s.needs {
			t, err := e.track(key)
			if err != nil {
				return err
			}
			entries = t.appendTo(entries, upto)
		}
		s.register = registerOf(s.own.History.Facts, projections.Resolve(entries, projections.Now).Facts)
	}
	in := projections.Input{Machine: s.id, History: s.own.History, Register: s.register, Bounds: projections.Now}
	results := make([][]projections.Result, len(list.All))
	for i, p := range list.All {
		switch {
		case p.Results == nil:
		case ofOneRecord[p.Name] && s.same == s.folded:
			behind := in
			behind.History.Facts = in.History.Facts[s.same:]
			results[i] = projections.SortResults(append(slices.Clone(s.results[i]), p.Results(behind)...))
		default:
			results[i] = p.Results(in)
		}
	}
	s.results, s.folded = results, len(in.History.Facts)
	s.same = s.folded
	return nil
}

// registerOf is the register that a machine's results rest on: what its own history says of where machines stand, and
// the entries that it needs. A correction can bring a machine's entry among the latter, where it counts no more than
// anywhere else.
func registerOf(own, entries []projections.Fact) *projections.Register {
	var all []projections.Fact
	for i := range own {
		if placesMachine(own[i].Body) {
			all = append(all, own[i])
		}
	}
	for i := range entries {
		if !placesMachine(entries[i].Body) {
			all = append(all, entries[i])
		}
	}
	return projections.NewRegister(projections.History{Facts: all})
}

func placesMachine(body events.Body) bool {
	switch body.(type) {
	case *events.MachineEntered, *events.MachineMoved, *events.MachineRetired:
		return true
	}
	return false
}

// track is a history that is remembered by its members, in the order in which they came into it.
type track struct{ members []member }

func (t *track) add(since uint64, records []*projections.Arrival) {
	for _, a := range records {
		t.members = append(t.members, member{since, a})
	}
}

// appendTo appends what had come in by the message upto.
func (t *track) appendTo(all []projections.Arrival, upto uint64) []projections.Arrival {
	for _, m := range t.members {
		if m.since > upto {
			break
		}
		all = append(all, *m.Arrival)
	}
	return all
}

// track loads a history of entries, or takes the remembered one.
func (e *engine) track(key string) (*track, error) {
	if t, ok := e.tracks.get(key); ok {
		return t, nil
	}
	e.db.Lock()
	defer e.db.Unlock()
	members, err := e.members(key)
	if err != nil {
		return nil, err
	}
	t := &track{members}
	e.tracks.put(key, t, len(members)+1)
	return t, nil
}
