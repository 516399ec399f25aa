package journal

import (
	"errors"
	"fmt"
	"io"

	"ullage/events"
)

// Open opens the journal for reading and writing, and takes its lock. It reads the last segment only.
//
// What a crash or a power cut has left at the end is cut off; a segment in which anything else is not as it was
// written is set aside, and its readable records are put in its place. The report tells of both. Damage in older
// segments is found when they are read: then they are set aside in the same way.
//
// Its error is ErrNone where there is no journal, a *LockedError (an ErrLocked) while another holds it, ErrVersion for
// a format that this code does not know, ErrForeign for a segment of another journal, ErrDamaged where nothing tells
// whose journal it is, ErrFull where a damaged segment cannot be set aside for want of room. With an error nothing of
// the records is lost, and opening can be tried again.
func Open(cfg Config) (*Journal, Report, error) {
	cfg, err := cfg.valid()
	if err != nil {
		return nil, Report{}, err
	}
	d := cfg.dirFS()
	l, err := d.list()
	if err != nil {
		return nil, Report{}, err
	}
	exists, err := d.exists(l)
	if err != nil {
		return nil, Report{}, fmt.Errorf("open the journal: %w", err)
	}
	if !exists {
		return nil, Report{}, fmt.Errorf("open %s: %w", cfg.Dir, ErrNone)
	}
	lock, err := cfg.FS.Lock(d.path(lockName))
	if err != nil {
		return nil, Report{}, fmt.Errorf("open the journal: %w", err)
	}
	j, report, err := openLocked(cfg, lock)
	if err != nil {
		lock.Close()
		return nil, Report{}, fmt.Errorf("open the journal: %w", err)
	}
	return j, report, nil
}

func openLocked(cfg Config, lock io.Closer) (*Journal, Report, error) {
	o := opener{dirFS: cfg.dirFS()}
	l, err := o.list()
	if err != nil {
		return nil, Report{}, err
	}
	id, lost, err := o.whose(l)
	if err != nil {
		return nil, Report{}, err
	}
	o.id = id
	if lost {
		if err := o.writeWhole(identityName, encodeIdentity(id)); err != nil {
			return nil, Report{}, fullOr(err)
		}
		o.report.Damage = append(o.report.Damage, Damage{File: identityName, Records: none(1),
			Why: "it could not be read and was written anew"})
	}
	if err := o.tidy(l); err != nil {
		return nil, Report{}, err
	}
	sv, segments, err := o.last()
	if err != nil {
		return nil, Report{}, err
	}
	j := &Journal{cfg: cfg, lock: lock}
	j.dirFS, j.id = o.dirFS, id
	j.shelf.mend, j.shelf.made = j.mendSegment, j.writeIndex
	if err := j.resume(sv, &o.report); err != nil {
		if j.f != nil {
			j.f.Close()
		}
		return nil, Report{}, err
	}
	for _, mark := range segments[:len(segments)-1] {
		j.segs = append(j.segs, &segment{file: baseName(mark, extSegment), mark: mark, first: mark})
	}
	j.segs = append(j.segs, &segment{file: sv.file, mark: sv.mark, first: sv.mark, cat: sv.table()})
	j.head = j.headAt(sv.place)
	j.next = sv.place
	j.say()
	o.report.Segments = len(j.segs)
	return j, o.report, nil
}

// opener brings a directory into order before it is written again.
type opener struct {
	dirFS
	id     identity
	report Report
}

// tidy removes what was half made, and finishes what was half set aside.
func (o *opener) tidy(l listing) error {
	for _, name := range l.temps {
		if err := o.removeIfThere(name); err != nil {
			return err
		}
	}
	for _, name := range l.mending {
		m := mender{dirFS: o.dirFS, id: o.id}
		if err := m.finish(name); err != nil {
			return err
		}
		o.report.Finished = append(o.report.Finished, m.aside)
		o.report.Aside = append(o.report.Aside, m.aside)
		o.report.Damage = append(o.report.Damage, m.damage...)
	}
	return nil
}

// last reads the last segment, after setting it aside as often as it must.
func (o *opener) last() (*survey, []events.Seq, error) {
	for {
		l, err := o.list()
		if err != nil {
			return nil, nil, err
		}
		if len(l.segments) == 0 {
			o.report.Damage = append(o.report.Damage, Damage{File: baseName(1, extSegment), Records: none(1),
				Why: "no segment is there; the journal begins anew"})
			if err := o.firstSegment(o.id); err != nil {
				return nil, nil, fullOr(err)
			}
			continue
		}
		sv, err := o.surveyLast(l.segments[len(l.segments)-1])
		if err != nil {
			return nil, nil, err
		}
		if sv.clean(true) {
			return sv, l.segments, nil
		}
		m := mender{dirFS: o.dirFS, id: o.id}
		if err := m.setAside(sv, true); err != nil {
			return nil, nil, err
		}
		o.report.Aside = append(o.report.Aside, m.aside)
		o.report.Damage = append(o.report.Damage, m.damage...)
	}
}

func (o *opener) surveyLast(mark events.Seq) (*survey, error) {
	name := baseName(mark, extSegment)
	f, err := o.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return surveySegment(f, name, mark, o.id, true)
}

// resume makes the last segment ready for more: what is torn is cut off, a link frame that the tear has taken is
// written again, and so is everything of which it is not known that it reached the disk. A sync that failed before the
// journal was closed may have left such bytes where they can be read and will never be written.
func (j *Journal) resume(sv *survey, report *Report) error {
	f, err := j.openWrite(sv.file)
	if err != nil {
		return err
	}
	j.f, j.end, j.size = f, sv.end, sv.size
	if sv.cut > 0 {
		report.CutFile, report.CutBytes, report.CutRecords = sv.file, sv.cut, sv.cutRecs
		if err := f.Truncate(sv.end); err != nil {
			return err
		}
		j.size = sv.end
	}
	unproven := make([]byte, sv.end-sv.proven)
	if _, err := f.ReadAt(unproven, sv.proven); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if sv.lackEnd {
		unproven = appendLink(unproven, sv.mark, sv.end, sv.prev, sv.place)
		j.end += linkLen
		j.size = max(j.size, j.end)
	}
	if j.settled = len(unproven) == 0 || sv.said; !j.settled {
		report.Rewritten = int64(len(unproven))
		if _, err := f.WriteAt(unproven, sv.proven); err != nil {
			return fullOr(err)
		}
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("sync: %w", err)
	}
	if err := j.removeIfThere(baseName(sv.mark, extIndex)); err != nil { // of a time when it was not the last one
		return err
	}
	t := sv.table()
	j.last = sv.header.receipt
	if n := len(t.receipts); n > 0 {
		_, payload, n, err := readFrame(f, sv.mark, int64(t.receipts[n-1].off))
		if err != nil {
			return err
		}
		if n == 0 {
			return errors.New("the last receipt cannot be read again")
		}
		j.last = append([]byte(nil), payload...)
	}
	return nil
}
