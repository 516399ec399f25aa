package store

import (
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/wire"
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
	needs    map[projections.Key]bool // histories of entries that its results rest on, or did
	placed   []projections.Fact       // of the history: the entries on where machines stand
	register *projections.Register    // nil: to be made anew
	results  [][]projections.Result   // of each projection
	folded   int                      // facts of which the results are
	same     int                      // of those, the first ones that give what they gave then
}

// ofOneRecord names the projections whose results come each from one record by itself, with the register at its time.
// Of two results of one name that of the later record stands. So where records come in behind all others, only they
// need be folded.
var ofOneRecord = map[string]bool{machine.Projection.Name: true}

// load folds a machine as the message upto has left it.
func (e *engine) load(id events.MachineID, upto uint64) (*settled, error) {
	s := &settled{id: id, needs: map[projections.Key]bool{}, results: make([][]projections.Result, len(list.All))}
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
	_, err = s.fold(e, wire.Place{Seq: upto})
	return s, err
}

// add takes in records, and returns which histories of entries are needed now that were not before.
func (s *settled) add(records []*projections.Arrival) (needs []projections.Key) {
	from := s.own.Add(records...)
	changed := s.own.History.Facts[from:]
	for _, key := range projections.Needs(s.id, projections.History{Facts: changed}) {
		if isEntry(key.Space) && !s.needs[key] {
			s.needs[key], s.register = true, nil
			needs = append(needs, key)
		}
	}
	if from < s.folded || slices.ContainsFunc(changed, func(f projections.Fact) bool { return placesMachine(&f) }) {
		s.placed = nil
		for i := range s.own.History.Facts {
			if placesMachine(&s.own.History.Facts[i]) {
				s.placed = append(s.placed, s.own.History.Facts[i])
			}
		}
		s.register, s.same = nil, 0 // an entry may be gone, or new: whoever finds none at a time takes the newest
	}
	return needs
}

func placesMachine(f *projections.Fact) bool {
	switch f.Body.(type) {
	case *events.MachineEntered, *events.MachineMoved, *events.MachineRetired:
		return true
	}
	return false
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

// fold makes the results as a message has left them, and tells which earlier ones are others now.
func (s *settled) fold(e *engine, by wire.Place) (all []projections.Restatement, err error) {
	if s.register == nil {
		if s.register, err = e.registerOf(s, by.Seq); err != nil {
			return nil, err
		}
	}
	in := projections.Input{Machine: s.id, History: s.own.History, Register: s.register, Bounds: projections.Now}
	for i, p := range list.All {
		if p.Results == nil {
			continue
		}
		before := s.results[i]
		if ofOneRecord[p.Name] && s.same == s.folded {
			behind := in
			behind.History.Facts = in.History.Facts[s.same:]
			after := p.Results(behind)
			s.results[i], before = merge(before, after)
			all = append(all, projections.Restate(p.Name, s.id, by.Hash, before, after)...)
			continue
		}
		s.results[i] = p.Results(in)
		all = append(all, projections.Restate(p.Name, s.id, by.Hash, before, s.results[i])...)
	}
	s.folded = len(in.History.Facts)
	s.same = s.folded
	return all, nil
}

// merge puts results among earlier ones, both ascending, and returns those whose places they take.
func merge(old, news []projections.Result) (all, replaced []projections.Result) {
	all = slices.Grow(old, len(news))
	for _, r := range news {
		at, there := slices.BinarySearchFunc(all, r, func(a, b projections.Result) int { return strings.Compare(a.What, b.What) })
		if there {
			replaced = append(replaced, all[at])
			all[at] = r
		} else {
			all = slices.Insert(all, at, r)
		}
	}
	return all, replaced
}

// registerOf is the register that a machine's results rest on as the message upto has left it: where machines stand by
// its own history, and the entries that it needs.
func (e *engine) registerOf(s *settled, upto uint64) (*projections.Register, error) {
	all := slices.Clone(s.placed)
	for key := range s.needs {
		t, err := e.track(key)
		if err != nil {
			return nil, err
		}
		all = append(all, t.entries(upto)...)
	}
	return projections.NewRegister(projections.History{Facts: all}), nil
}
