package journal

import (
	"fmt"

	"ullage/events"
)

// take looks at a frame whose sum holds. It returns how many bytes it took, 0 where the frame does not belong there,
// and why.
func (s *surveyor) take(pos int64, t FrameType, payload []byte, n int) (took int, why string, err error) {
	switch t {
	case Record:
		return s.takeRecord(pos, payload, n)
	case linkFrame, settled:
		at := parsePlace(payload)
		if why := s.placed(t, at); why != "" {
			return 0, why, nil
		}
		s.close(pos)
		s.reach(at.seq)
		s.place, s.known, s.lackEnd = at, true, false
		if t == settled {
			s.proven, s.saved = pos, nil
		}
		return n, "", nil
	}
	s.close(pos)
	s.lackEnd = false
	nt := note{s.place.seq, uint32(pos), s.place.link}
	if c := s.current(); c != nil && !s.unsure && c.last.seq == s.place.seq {
		c.addNote(t, nt)
	} else {
		s.loose = append(s.loose, looseNote{t, nt, s.unsure})
	}
	return n, "", nil
}

// placed tells what speaks against a frame that only says where the chain stands. A link frame without its record is
// taken behind damage only.
func (s *surveyor) placed(t FrameType, at place) string {
	switch {
	case at.seq > maxSeq:
		return "a " + t.String() + " frame whose number is out of range"
	case t == linkFrame && !s.unsure:
		return "a link frame that belongs to no record"
	case !s.known:
		return ""
	case at.seq < s.place.seq, at.seq == s.place.seq && at.link != s.place.link, at.seq > s.place.seq && !s.unsure:
		return "a " + t.String() + " frame that does not fit the chain"
	}
	return ""
}

func (s *surveyor) current() *table {
	if len(s.tables) == 0 {
		return nil
	}
	return s.tables[len(s.tables)-1]
}

// takeRecord takes a record together with the link frame behind it.
func (s *surveyor) takeRecord(pos int64, payload []byte, n int) (took int, why string, err error) {
	r, err := events.DecodeRecord(payload)
	switch {
	case err != nil:
		return 0, "a record that is not in form", nil
	case r.Device != s.id.device:
		return 0, fmt.Sprintf("a record of the device %s", r.Device), nil
	}
	h := events.HashRecord(payload)
	lt, lp, ln, err := s.frame(pos + int64(n)) // payload is gone from here on
	if err != nil {
		return 0, "", err
	}
	var prev events.Hash
	var at place
	linked := ln > 0 && lt == linkFrame
	if linked {
		prev, at = parseLink(lp)
		linked = at.seq == r.Seq
	}
	switch {
	case s.known && r.Seq == s.place.seq+1:
		next := place{r.Seq, r.Clock, events.Link(s.place.link, h)}
		if linked && (prev != s.place.link || at != next) {
			return 0, "a record that does not fit the chain", nil
		}
		at = next
		prev = s.place.link
	case !linked || at.clock != r.Clock || at.link != events.Link(prev, h):
		return 0, "a record whose place in the chain is not known", nil
	case s.known && r.Seq <= s.place.seq, r.Seq < s.mark, r.Seq > maxSeq:
		return 0, "a record whose number does not belong there", nil
	}
	s.close(pos)
	if s.known && r.Seq > s.place.seq+1 && s.pending == len(s.damage) {
		s.damage = append(s.damage, Damage{File: s.file, Offset: pos, Records: none(s.place.seq + 1), Why: "numbers are missing"})
	}
	s.reach(r.Seq - 1)
	c, fresh := s.current(), false
	if c == nil || c.last.seq+1 != r.Seq {
		fresh = r.Seq != s.mark
		base := place{seq: r.Seq - 1, link: prev}
		if s.known && s.place.seq == base.seq {
			base.clock = s.place.clock
		}
		c = newTable(base)
		s.tables = append(s.tables, c)
	}
	s.settleLoose(c, fresh)
	c.add(entry{uint32(pos), r.ID, r.Key}, at)
	s.place, s.prev, s.known = at, prev, true
	s.read++
	s.lackEnd = !linked
	if !linked {
		if c.unlinked == nil {
			c.unlinked = make(map[events.Seq]place)
		}
		c.unlinked[r.Seq] = at
		s.lacking++
		return n, "", nil
	}
	return n + ln, "", nil
}

// settleLoose gives the seals and receipts that stood behind damage to the run that goes on after it. A seal whose
// record is gone stays in the file that is set aside; a receipt counts wherever it stands.
func (s *surveyor) settleLoose(c *table, fresh bool) {
	for _, l := range s.loose {
		if l.t == Seal && fresh && (l.unsure || l.seq != c.last.seq) {
			continue
		}
		l.seq, l.link = c.last.seq, c.last.link
		c.addNote(l.t, l.note)
	}
	s.loose = nil
}
