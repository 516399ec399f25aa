package journal

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"slices"

	"ullage/events"
)

// CheckReport tells what reading a whole journal found.
type CheckReport struct {
	Device   events.DeviceID
	Key      ed25519.PublicKey
	Head     events.Head
	Segments []SegmentReport // in place, in order
	Aside    []SegmentReport // set aside as damaged, and kept; what they have lost may have been put back
	Gaps     []Range         // records that are missing now
	Faults   []Fault         // what reads as it was written and still does not hold
}

// SegmentReport tells of one file.
type SegmentReport struct {
	File            string
	Records         Range // the first and the last that can be read
	Count           int   // of the records that can be read
	Seals, Receipts int
	Bytes           int64 // up to the end of the last frame
	Torn            int64 // bytes of an unfinished write behind it
	Index           IndexState
	Damage          []Damage
}

// IndexState tells of the index of a closed segment. It is disposable, so none of the states is damage.
type IndexState string

// The states of an index.
const (
	IndexNone  IndexState = ""      // the segment has none, or needs none
	IndexGood  IndexState = "good"  // it says what the segment says
	IndexStale IndexState = "stale" // it is damaged or of another state; it will be made anew when it is needed
)

// Fault is a seal, a receipt or a link that does not hold, although the bytes are as they were written.
type Fault struct {
	File   string
	Offset int64
	Seq    events.Seq // the record behind which it stands
	Err    error
}

func (f Fault) String() string {
	return fmt.Sprintf("%s at %d, behind record %d: %v", f.File, f.Offset, f.Seq, f.Err)
}

// OK tells whether everything that was ever written is there and holds. The torn end of an unfinished write and a
// stale index are not against it, and neither are files that were set aside if their records are back.
func (r CheckReport) OK() bool {
	return len(r.Gaps) == 0 && len(r.Faults) == 0 && len(r.Damage()) == 0
}

// Damage is that of all segments in place.
func (r CheckReport) Damage() []Damage {
	var all []Damage
	for _, s := range r.Segments {
		all = append(all, s.Damage...)
	}
	return all
}

// Verify judges a seal or a receipt: its payload, the record behind which it stands, and the link there. An error
// becomes a Fault.
type Verify func(t FrameType, payload []byte, seq events.Seq, link events.Hash) error

// Check reads a whole journal, without its lock and without changing anything: the sums of all frames, the numbers, the
// chain, the indexes. Seals and receipts are judged by verify, which may be nil. It may run beside the process that
// writes; then it checks what was there when it began.
//
// It returns what it found; an error only where it could not look: ErrNone, ErrVersion, ErrForeign, ErrDamaged where
// nothing tells whose journal it is, or that of reading a file.
func Check(cfg Config, verify Verify) (report CheckReport, err error) {
	if cfg, err = cfg.valid(); err != nil {
		return CheckReport{}, err
	}
	err = again(func() error {
		c := checker{dirFS: cfg.dirFS(), verify: verify}
		err := c.run()
		report = c.report
		return err
	})
	if err != nil {
		return CheckReport{}, fmt.Errorf("check the journal in %s: %w", cfg.Dir, err)
	}
	return report, nil
}

type checker struct {
	dirFS
	id     identity
	verify Verify
	report CheckReport
}

func (c *checker) run() error {
	l, err := c.list()
	if err != nil {
		return err
	}
	exists, err := c.exists(l)
	if err != nil {
		return err
	}
	if !exists {
		return ErrNone
	}
	if c.id, _, err = c.whose(l); err != nil {
		return err
	}
	c.report.Device, c.report.Key = c.id.device, c.id.key
	files := make([]string, 0, len(l.segments)+len(l.mending))
	for _, mark := range l.segments {
		files = append(files, baseName(mark, extSegment))
	}
	files = append(files, l.mending...)
	slices.Sort(files) // by number, as they begin with it
	at := c.id.start()
	for i, name := range files {
		next := events.Seq(0)
		if i+1 < len(files) {
			next, _, _ = parseName(files[i+1])
		}
		if at, err = c.segment(name, next, at); err != nil {
			return err
		}
	}
	c.report.Head = events.Head{Device: c.id.device, Seq: at.seq, Link: at.link, Clock: at.clock}
	for _, name := range l.damaged {
		mark, _, _ := parseName(name)
		sv, err := c.survey(name, mark, false)
		if err != nil {
			return err
		}
		c.report.Aside = append(c.report.Aside, c.tell(sv))
	}
	return nil
}

func (c *checker) survey(name string, mark events.Seq, last bool) (*survey, error) {
	f, err := c.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return surveySegment(f, name, mark, c.id, last)
}

// segment checks a segment in place; at is the place behind the last record before it, next is where the following
// segment begins, 0 for the last one.
func (c *checker) segment(name string, next events.Seq, at place) (place, error) {
	mark, _, _ := parseName(name)
	sv, err := c.survey(name, mark, next == 0)
	if err != nil {
		return place{}, err
	}
	if next > 0 {
		sv.expect(next)
	}
	rep := c.tell(sv)
	if !sv.clean(next == 0) && len(sv.damage) == 0 {
		rep.Damage = append(rep.Damage, Damage{File: name, Size: sv.size, Records: none(mark),
			Why: "nothing in it can be read, or link frames are missing"})
	}
	if next > 0 && sv.clean(false) {
		if rep.Index, err = c.index(mark, sv); err != nil {
			return place{}, err
		}
	}
	c.report.Segments = append(c.report.Segments, rep)
	for _, t := range sv.tables {
		switch {
		case t.base.seq > at.seq:
			c.report.Gaps = append(c.report.Gaps, Range{at.seq + 1, t.base.seq})
		case t.base.seq < at.seq && len(t.recs) > 0:
			c.fault(name, 0, t.base.seq, fmt.Errorf("%w: its numbers were given before", ErrChain))
		case t.base.seq == at.seq && t.base.link != at.link:
			c.fault(name, 0, at.seq, fmt.Errorf("%w: it goes on from another link than the segment before it ends with", ErrChain))
		}
		if t.last.seq >= at.seq {
			at = t.last
		}
		if err := c.notes(name, mark, t); err != nil {
			return place{}, err
		}
	}
	return at, nil
}

func (c *checker) fault(name string, off int64, seq events.Seq, err error) {
	c.report.Faults = append(c.report.Faults, Fault{name, off, seq, err})
}

// tell puts a survey into words.
func (c *checker) tell(sv *survey) SegmentReport {
	r := SegmentReport{File: sv.file, Bytes: sv.end, Torn: sv.cut, Damage: sv.damage, Records: Range{sv.mark, sv.mark - 1}}
	for i, t := range sv.tables {
		if i == 0 {
			r.Records.From = t.base.seq + 1
		}
		r.Records.To = t.last.seq
		r.Count += len(t.recs)
		r.Seals += len(t.seals)
		r.Receipts += len(t.receipts)
	}
	return r
}

// notes has the seals and receipts judged.
func (c *checker) notes(name string, mark events.Seq, t *table) error {
	if c.verify == nil || len(t.seals)+len(t.receipts) == 0 {
		return nil
	}
	f, err := c.open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	for _, kind := range []FrameType{Seal, Receipt} {
		ns, _ := t.notes(kind)
		for _, n := range ns {
			_, payload, size, err := readFrame(f, mark, int64(n.off))
			if err != nil {
				return err
			}
			if size == 0 {
				c.fault(name, int64(n.off), n.seq, fmt.Errorf("%w: it changes while it is read", ErrDamaged))
				continue
			}
			if err := c.verify(kind, payload, n.seq, n.link); err != nil {
				c.fault(name, int64(n.off), n.seq, fmt.Errorf("%s: %w", kind, err))
			}
		}
	}
	return nil
}

// index compares the index of a segment with what it should say.
func (c *checker) index(mark events.Seq, sv *survey) (IndexState, error) {
	want := encodeIndex(mark, sv.table(), sv.end)
	f, err := c.open(baseName(mark, extIndex))
	if err != nil {
		return IndexNone, nil
	}
	defer f.Close()
	got, err := readUpTo(f, len(want)+1, 0)
	if err != nil {
		return IndexNone, err
	}
	if !bytes.Equal(got, want) {
		return IndexStale, nil
	}
	return IndexGood, nil
}
