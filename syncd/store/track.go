package store

import (
	"slices"
	"sync"

	"ullage/projections"
)

// track is the history of one entry of the register, as it is remembered.
type track struct {
	key projections.Key

	mu      sync.Mutex         // guards what follows
	members []member           // in the order in which they came in
	facts   []projections.Fact // the entries of all members; nil until somebody asks
}

// track loads a history of entries, or takes the remembered one.
func (e *engine) track(key projections.Key) (*track, error) {
	if t, ok := e.tracks.get(key); ok {
		return t, nil
	}
	e.db.Lock()
	defer e.db.Unlock()
	members, err := e.members(key.String())
	if err != nil {
		return nil, err
	}
	t := &track{key: key, members: members}
	e.tracks.put(key, t, len(members)+1)
	return t, nil
}

func (t *track) add(since uint64, records []*projections.Arrival) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, a := range records {
		t.members = append(t.members, member{since, kept(a)})
	}
	t.facts = nil
}

// entries are what stands in the history by the message upto: entries of its name. What else a correction has brought
// in stands where it belongs as well.
func (t *track) entries(upto uint64) []projections.Fact {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(t.members)
	for n > 0 && t.members[n-1].since > upto {
		n--
	}
	if n == len(t.members) && t.facts != nil {
		return t.facts
	}
	arrivals := make([]projections.Arrival, n)
	for i := range arrivals {
		arrivals[i] = *t.members[i].Arrival
	}
	facts := slices.DeleteFunc(slices.Clone(projections.Resolve(arrivals, projections.Now).Facts), func(f projections.Fact) bool {
		return !slices.Contains(projections.Touches(&f.Record, f.Body), t.key)
	})
	if n == len(t.members) {
		t.facts = slices.Clip(facts)
	}
	return facts
}
