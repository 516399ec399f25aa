package entry

import (
	"fmt"
	"maps"
	"slices"

	"ullage/events"
)

// Session is what lines of one call, or of one stream, have in common: the labels of visits, and the old ids of an
// export that is read back. It belongs to one caller at a time.
type Session struct {
	w      *Writer
	labels map[string]events.RecordID
	old    map[events.RecordID]origin

	// Of lines that are found good and not yet written.
	items   []*item
	answers []pending
	keys    map[string]*item
	named   []events.RecordID              // the old ids among them
	heads   map[events.Target][]correction // newest corrections of records that were written before
}

// origin is what became of the record that an exported line was made from: a line not yet written, or a record.
type origin struct {
	item *item
	id   events.RecordID
}

// item is a line on its way to a record.
type item struct {
	line   int
	record events.Record // its number, clock, id and body only once it is built
	body   template
	over   []correction // what a correction stands over
	heads  []correction // newest corrections of this very line
	flags  []string

	hash events.Hash // once it is built
}

// correction is one that was written before, or a line of this call.
type correction struct {
	hash events.Hash
	item *item
}

// pending is an answer that waits for the call's records to be written.
type pending struct {
	item  *item
	first *events.Record // of a line that had been recorded before; item is nil then
	again bool
	held  bool
}

// NewSession begins a stretch of lines that share the labels of visits.
func (w *Writer) NewSession() *Session {
	return &Session{w: w, labels: map[string]events.RecordID{}, old: map[events.RecordID]origin{}}
}

// Line records one line, by itself: when it returns without error, the record is in the journal. n is the number of
// the line in errors about it, which are *LineErrors; what they name changes nothing for the lines that follow.
func (s *Session) Line(n int, line []byte) (Answer, error) {
	if err := s.w.check(); err != nil {
		return Answer{}, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	s.begin()
	if err := s.add(n, line); err != nil {
		return Answer{}, lineError(n, err)
	}
	answers, err := s.commit()
	if err != nil {
		return Answer{}, err
	}
	return answers[0], nil
}

// begin forgets what belonged to lines that were not written.
func (s *Session) begin() {
	for _, id := range s.named {
		delete(s.old, id)
	}
	s.items, s.answers, s.named, s.keys, s.heads = nil, nil, nil, map[string]*item{}, map[events.Target][]correction{}
	if s.w.Begin != nil {
		s.w.Begin()
	}
}

// add finds a line good, or returns what is wrong with it and forgets it.
func (s *Session) add(n int, line []byte) error {
	root, err := parse(line)
	if err != nil {
		return err
	}
	e, err := readEnvelope(&root)
	if err != nil {
		return err
	}
	schema, err := s.w.schemaFor(e.kind)
	if err != nil {
		return err
	}
	enc := encoder{session: s}
	if err := enc.body(schema, e.body); err != nil {
		return within("body", err)
	}
	bind := map[string]events.RecordID{} // labels that this line binds
	if enc.target != nil {
		if err := s.correct(&e, enc.target, bind); err != nil {
			return err
		}
	}
	body, err := checkBody(schema, &enc)
	if err != nil {
		return within("body", err)
	}
	if e.key != "" {
		done, err := s.repeated(&e, &enc, bind)
		if err != nil || done {
			return err
		}
	}
	it := &item{line: n, body: enc.t}
	if err := s.fill(it, &e, schema, bind); err != nil {
		return err
	}
	if enc.target != nil {
		if it.over, err = s.newest(enc.target); err != nil {
			return err
		}
	}
	if err := it.checkSize(); err != nil {
		return err
	}
	if err := s.judge(it, body); err != nil {
		return err
	}
	s.stage(it, &e, enc.target, bind)
	return nil
}

// fill makes the record of a line, as far as it can be made now.
func (s *Session) fill(it *item, e *envelope, schema *events.Schema, bind map[string]events.RecordID) error {
	now := s.w.Now()
	if e.done == nil {
		e.done = &done{now, s.w.Zone(now)}
	}
	if e.done.at > now {
		it.flags = append(it.flags, "in-future")
	}
	id, err := s.bound(e.visit, bind)
	if err != nil {
		return err
	}
	for i := range it.body.holes {
		if h := &it.body.holes[i]; h.what == holeVisit {
			if h.visit, err = s.bound(visit{label: h.text}, bind); err != nil {
				return err
			}
		}
	}
	it.record = events.Record{
		Device: s.w.Device, Done: e.done.at, Zone: e.done.zone, Site: e.site, Machine: e.machine, Visit: id, By: e.by,
		Key: e.key, Kind: e.kind, V: schema.V,
	}
	return nil
}

// bound is the identifier of a visit; a new label is bound to a fresh one.
func (s *Session) bound(v visit, bind map[string]events.RecordID) (events.RecordID, error) {
	if v.label == "" {
		return v.id, nil
	}
	if id, ok := s.label(v.label, bind); ok {
		return id, nil
	}
	id, err := s.w.newID(max(s.w.Now(), 0))
	if err != nil {
		return events.RecordID{}, fmt.Errorf("make the identifier of a visit: %w", err)
	}
	bind[v.label] = id
	return id, nil
}

func (s *Session) label(label string, bind map[string]events.RecordID) (events.RecordID, bool) {
	if id, ok := s.labels[label]; ok {
		return id, true
	}
	id, ok := bind[label]
	return id, ok
}

func (s *Session) judge(it *item, body events.Body) error {
	if s.w.Judge == nil {
		return nil
	}
	flags, err := s.w.Judge(&it.record, body)
	if err != nil {
		return err
	}
	for _, f := range flags {
		if !slices.Contains(it.flags, f) {
			it.flags = append(it.flags, f)
		}
	}
	return nil
}

// stage takes up a good line: it will be written, and later lines can name it.
func (s *Session) stage(it *item, e *envelope, target *ref, bind map[string]events.RecordID) {
	s.items = append(s.items, it)
	s.answers = append(s.answers, pending{item: it, held: s.held(target)})
	maps.Copy(s.labels, bind)
	if e.key != "" {
		s.keys[e.key] = it
	}
	s.follow(e.old, origin{item: it})
	if target == nil {
		return
	}
	newest := []correction{{item: it}}
	if target.item != nil {
		target.item.heads = newest
	} else {
		s.heads[target.target] = newest
	}
}

// follow notes what became of the record that a line was exported from.
func (s *Session) follow(old events.RecordID, o origin) {
	if !old.IsZero() {
		s.old[old] = o
		s.named = append(s.named, old)
	}
}

// held tells whether a correction waits for the office: a device puts right its own records, the office any.
func (s *Session) held(target *ref) bool {
	return target != nil && target.target.Device != s.w.Device && !s.w.Office
}
