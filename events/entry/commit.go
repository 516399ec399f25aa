package entry

import (
	"fmt"

	"ullage/events"
)

// commit keeps the texts of the good lines, writes their records, and answers.
func (s *Session) commit() ([]Answer, error) {
	if len(s.items) > 0 {
		if err := s.keep(); err != nil {
			return nil, err
		}
		if _, err := s.w.Journal.Append(s.build); err != nil {
			return nil, err
		}
	}
	answers := make([]Answer, len(s.answers))
	for i, p := range s.answers {
		answers[i] = p.answer()
	}
	// From now on what was exported is found by the id of its record.
	for _, id := range s.named {
		if it := s.old[id].item; it != nil {
			s.old[id] = origin{id: it.record.ID}
		}
	}
	s.items, s.answers, s.named = nil, nil, nil
	return answers, nil
}

func (s *Session) keep() error {
	for _, it := range s.items {
		for i := range it.body.holes {
			h := &it.body.holes[i]
			if h.what != holeText {
				continue
			}
			var err error
			if h.digest, err = s.w.Evidence.Keep([]byte(h.text)); err != nil {
				return fmt.Errorf("keep a text of line %d: %w", it.line, err)
			}
		}
	}
	return nil
}

// build makes the records after head. It can be called again with another.
func (s *Session) build(head events.Head) (Batch, error) {
	if head.Device != s.w.Device {
		return Batch{}, fmt.Errorf("the journal is that of %q, not of %q", head.Device, s.w.Device)
	}
	c := chain{w: s.w, head: head, now: s.w.Now()}
	c.batch.Records = make([][]byte, 0, len(s.items))
	if err := c.step(); err != nil {
		return Batch{}, err
	}
	for _, it := range s.items {
		it.record.Body = it.body.fill(false, hashes(it.over))
		hash, err := c.write(&it.record)
		if err != nil {
			return Batch{}, fmt.Errorf("write line %d: %w", it.line, err)
		}
		it.hash, it.record.Body = hash, nil
	}
	return c.batch, nil
}

// chain numbers records and links them to the end of a journal.
type chain struct {
	w     *Writer
	head  events.Head
	now   events.Millis
	batch Batch
}

// step tells, before all else, of a clock that was put back.
func (c *chain) step() error {
	_, stepped := c.head.Clock.Next(c.now)
	if stepped == 0 {
		return nil
	}
	body, err := steppedBody(stepped)
	if err != nil {
		return err
	}
	done := min(max(c.now, events.MinMillis), events.MaxMillis)
	_, err = c.write(&events.Record{Device: c.w.Device, Done: done, Zone: c.w.Zone(c.now), Kind: "clock.checked", V: 1, Body: body})
	return err
}

// write gives a record its number, clock and id, and seals the chain where a visit begins or ends, and where a key does.
func (c *chain) write(r *events.Record) (events.Hash, error) {
	r.Seq = c.head.Seq + 1
	r.Clock, _ = c.head.Clock.Next(c.now)
	var err error
	if r.ID, err = c.w.newID(r.Clock.At()); err != nil {
		return events.Hash{}, err
	}
	raw, err := events.EncodeRecord(r)
	if err != nil {
		return events.Hash{}, err
	}
	hash := events.HashRecord(raw)
	c.head.Seq, c.head.Clock, c.head.Link = r.Seq, r.Clock, events.Link(c.head.Link, hash)
	c.batch.Records = append(c.batch.Records, raw)
	if c.w.Seal != nil && (r.Kind == "visit.opened" || r.Kind == "visit.closed" || r.Kind == events.KindRenewed) {
		c.batch.Seals = append(c.batch.Seals, c.w.Seal(r.Seq, c.head.Link))
	}
	return hash, nil
}

func (p pending) answer() Answer {
	a := Answer{Again: p.again, Held: p.held}
	r := p.first
	if p.item != nil {
		r, a.Flags = &p.item.record, p.item.flags
	}
	a.Seq, a.ID, a.Visit = r.Seq, r.ID, r.Visit
	if a.Held {
		a.Warning = "waits for the office"
	}
	return a
}
