package journal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// survey is what reading a whole segment found.
type survey struct {
	file      string
	mark      events.Seq
	size      int64
	header    header
	hasHeader bool

	tables  []*table // runs of records without a gap whose chain holds; the last one ends at place
	damage  []Damage
	place   place       // behind the last record that is known to have been there
	prev    events.Hash // the link before the last record
	known   bool        // place is
	end     int64       // behind the last frame that counts
	cut     int64       // bytes of a torn end
	cutRecs int         // whole records among them
	proven  int64       // what is before this was on the disk before more was written
	frames  int
	lacking int  // records without a link frame
	lackEnd bool // the last frame is one of them
	said    bool // the last frame is a settled one
	read    int  // records
	pending int  // damage from here on waits to hear how many records it took
	loose   []looseNote
}

// clean tells whether the segment can stay as it is. Of the last segment the link frame of the last record may be
// torn off.
func (s *survey) clean(last bool) bool {
	lacking := s.lacking
	if last && s.lackEnd {
		lacking--
	}
	return s.hasHeader && len(s.damage) == 0 && lacking == 0
}

// expect tells the survey where the next segment begins, hence how many records damage at the end has taken.
func (s *survey) expect(next events.Seq) {
	for i := s.pending; i < len(s.damage); i++ {
		if next > s.damage[i].Records.From {
			s.damage[i].Records.To = next - 1
		}
	}
	s.pending = len(s.damage)
}

// table is the one run of a segment that is clean.
func (s *survey) table() *table { return s.tables[len(s.tables)-1] }

// surveyor reads a segment frame by frame.
//
// A stretch that is no frame, or a frame that does not belong there, is skipped byte by byte until a frame follows
// whose sum holds. Whether such a stretch is damage or the torn end of the last write is told by what follows it: a
// settled frame was only written after everything before it had been synced, so what stands before one was whole once
// and is damaged now. What stands behind the last one was perhaps never whole. The end is cut at the first such
// stretch, also where frames of the same write follow it: a disk may write the sectors of one write in any order.
type surveyor struct {
	survey
	w    window
	id   identity
	last bool // the segment is the last one, whose end may be torn

	bad     int64 // start of the stretch that cannot be read, -1 for none
	why     string
	from    events.Seq // the record that was expected there
	unsure  bool       // records may have been lost since place
	saved   *survey    // as it was before the first stretch that no settled frame follows
	savedAt int64
}

type looseNote struct {
	t FrameType
	note
	unsure bool
}

// surveySegment reads the whole of a segment. An error is one of reading, or ErrVersion, or ErrForeign: then nothing
// can be said about it.
func surveySegment(f disk.File, name string, mark events.Seq, id identity, last bool) (*survey, error) {
	size, err := f.Size()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if size > math.MaxUint32 {
		return nil, fmt.Errorf("%s: %w: %d bytes are more than a segment can have", name, ErrDamaged, size)
	}
	s := &surveyor{w: window{f: f, size: size}, id: id, last: last, bad: -1}
	s.file, s.mark, s.size = name, mark, size
	if err := s.run(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return &s.survey, nil
}

func (s *surveyor) run() error {
	pos, err := s.head()
	if err != nil {
		return err
	}
	for pos < s.size {
		t, payload, n, err := s.frame(pos)
		if err != nil {
			return err
		}
		why := ""
		if n > 0 {
			var took int
			took, why, err = s.take(pos, t, payload, n)
			if err != nil {
				return err
			}
			if took > 0 {
				s.said = t == settled
				pos += int64(took)
				s.end = pos
				s.frames++
				continue
			}
		}
		if s.bad < 0 {
			empty, err := s.w.zeros(pos)
			if err != nil {
				return err
			}
			if empty {
				break
			}
			s.open(pos, why)
		}
		pos += int64(max(n, 1)) // nothing inside a frame whose sum holds is taken for a frame
	}
	return s.finish()
}

// head reads the header. Without one the frames are still read: a frame's sum needs the segment's name only.
func (s *surveyor) head() (int64, error) {
	b, err := s.w.at(0, maxHeader)
	if err != nil {
		return 0, err
	}
	h, n, err := parseHeader(b, s.mark)
	switch {
	case errors.Is(err, ErrVersion):
		return 0, err
	case err == nil && !h.equal(s.id):
		return 0, fmt.Errorf("%w: it is of device %s, not %s", ErrForeign, h.device, s.id.device)
	case err != nil, s.mark == 1 && h.base != s.id.start():
		return s.noHead()
	}
	s.header, s.hasHeader = h, true
	s.begin(h.base)
	s.end, s.proven = n, n // the name was given after the head was synced
	return n, nil
}

func (s *surveyor) begin(at place) {
	s.place, s.known = at, true
	s.tables = []*table{newTable(at)}
}

// noHead is for a segment whose head is damaged. It is not torn: it was on the disk before the segment got its name.
func (s *surveyor) noHead() (int64, error) {
	if s.mark == 1 {
		s.begin(s.id.start())
	}
	s.proven = 1
	empty, err := s.w.zeros(0)
	if err != nil || empty {
		return s.size, err
	}
	s.open(0, "the head cannot be read")
	return 0, nil
}

// frame reads the frame at pos; its length is 0 where there is none.
func (s *surveyor) frame(pos int64) (FrameType, []byte, int, error) {
	b, err := s.w.at(pos, frameHead)
	if err != nil {
		return 0, nil, 0, err
	}
	n := frameLen(b)
	if n == 0 {
		return 0, nil, 0, nil
	}
	if n > frameHead {
		if b, err = s.w.at(pos, n); err != nil {
			return 0, nil, 0, err
		}
	}
	t, payload, n := parseFrame(b, s.mark, pos)
	return t, payload, n, nil
}

// open begins a stretch that cannot be read.
func (s *surveyor) open(pos int64, why string) {
	if why == "" {
		why = "no frame whose sum holds"
	}
	s.bad, s.why, s.unsure = pos, why, true
	s.from = s.mark
	if s.known {
		s.from = s.place.seq + 1
	}
	if s.last && pos >= s.proven && s.saved == nil {
		s.saved, s.savedAt = s.snapshot(), pos
	}
}

// close ends the stretch, before a frame at pos that counts.
func (s *surveyor) close(pos int64) {
	if s.bad < 0 {
		return
	}
	s.damage = append(s.damage, Damage{File: s.file, Offset: s.bad, Size: pos - s.bad, Records: none(s.from), Why: s.why})
	s.bad = -1
}

// reach tells the damage seen since the last known place that records up to seq are gone.
func (s *surveyor) reach(seq events.Seq) {
	for i := s.pending; i < len(s.damage); i++ {
		if seq >= s.damage[i].Records.From {
			s.damage[i].Records.To = seq
		}
	}
	s.pending = len(s.damage)
	s.unsure = false
}

func (s *surveyor) finish() error {
	if s.saved != nil {
		read, end := s.read, s.savedAt
		last, err := s.lastByte()
		if err != nil {
			return err
		}
		s.survey = *s.saved
		s.bad = -1
		s.end = end
		s.cut, s.cutRecs = last-end, read-s.read
	}
	s.close(s.size)
	if !s.known {
		return nil
	}
	c, fresh := s.current(), false
	if c == nil || c.last.seq != s.place.seq {
		c, fresh = newTable(s.place), true
		s.tables = append(s.tables, c)
	}
	s.settleLoose(c, fresh)
	return nil
}

// lastByte is behind the last byte that is not zero.
func (s *surveyor) lastByte() (int64, error) {
	for end := s.size; end > 0; {
		start := max(0, end-windowSize)
		b, err := s.w.at(start, int(end-start))
		if err != nil {
			return 0, err
		}
		for i := len(b) - 1; i >= 0; i-- {
			if b[i] != 0 {
				return start + int64(i) + 1, nil
			}
		}
		end = start
	}
	return 0, nil
}

// snapshot copies what take changes.
func (s *surveyor) snapshot() *survey {
	c := s.survey
	c.damage, c.loose = slices.Clone(s.damage), slices.Clone(s.loose)
	c.tables = slices.Clone(s.tables)
	for i, t := range c.tables {
		copied := *t
		c.tables[i] = &copied
	}
	return &c
}
