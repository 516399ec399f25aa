package journal

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// frameAt is where a frame stands, as the frame format tells.
type frameAt struct {
	t        FrameType
	off, end int
	seq      events.Seq // of a record
}

// framesOf walks a sound segment.
func framesOf(t *testing.T, m *frail.Disk, name string) (head int, all []frameAt) {
	t.Helper()
	b := m.Bytes(name)
	mark, _, _ := parseName(filepath.Base(name))
	_, n, err := parseHeader(b, mark)
	if err != nil {
		t.Fatal(err)
	}
	for off := int(n); ; {
		ft, payload, n := parseFrame(b[off:], mark, int64(off))
		if n == 0 {
			return headerHeadOf(b), all
		}
		f := frameAt{t: ft, off: off, end: off + n}
		if ft == Record {
			r, _ := events.DecodeRecord(payload)
			f.seq = r.Seq
		}
		all = append(all, f)
		off += n
	}
}

func headerHeadOf(b []byte) int {
	body, _ := parseSealed(magicSegment, b)
	return headerHead + len(body)
}

// small is a closed journal of several segments, with several commits and several records in a commit.
func small(t *testing.T) (*frail.Disk, Config, *ledger) {
	t.Helper()
	mem, l := frail.New(), newLedger()
	cfg := Config{Dir: "j", FS: mem, SegmentBytes: 1400}
	mustCreate(t, cfg)
	j, _ := mustOpen(t, cfg)
	for i, n := range []int{1, 2, 3, 1, 2, 1, 3} {
		if err := l.add(j, n, 0, i%3 == 1); err != nil {
			t.Fatal(err)
		}
	}
	mustClose(t, j)
	lst, _ := list(mem, "j")
	if len(lst.segments) < 3 {
		t.Fatalf("only %d segments", len(lst.segments))
	}
	return mem, cfg, l
}

// One bit is flipped, at every byte of every file. What cannot be read is named, all else is there, the head does not
// fall, and the journal goes on.
func TestFlipEveryByte(t *testing.T) {
	t.Parallel()
	mem, cfg, l := small(t)
	for _, name := range mem.Names() {
		if filepath.Base(name) == lockName {
			continue
		}
		var frames []frameAt
		if strings.HasSuffix(name, extSegment) {
			_, frames = framesOf(t, mem, name)
		}
		step := 1
		if strings.HasSuffix(name, extIndex) {
			step = 29
		}
		for off := rand.IntN(part); off < len(mem.Bytes(name)); off += step * part {
			lost := events.Seq(0)
			for _, f := range frames {
				if f.off <= off && off < f.end {
					lost = f.seq
				}
			}
			m := mem.Clone()
			m.Flip(name, off, 1<<(off%8))
			c := cfg
			c.FS = m
			if err := flipped(c, l, filepath.Base(name), off, lost); err != nil {
				t.Fatalf("%s, byte %d of %d: %v", name, off, len(mem.Bytes(name)), err)
			}
		}
	}
}

// flipped holds a journal with one bit of one file flipped to what must hold. The byte belongs to the record lost, if
// that is not 0.
func flipped(cfg Config, l *ledger, file string, off int, lost events.Seq) error {
	head := events.Seq(len(l.acked))
	before, err := Check(cfg, nil)
	if err != nil {
		return fmt.Errorf("check: %w", err)
	}
	if lost > 0 {
		d := before.Damage()
		if len(d) != 1 || d[0].Records != (Range{lost, lost}) || int64(off) < d[0].Offset || int64(off) >= d[0].Offset+d[0].Size {
			return fmt.Errorf("check names %v, not record %d", d, lost)
		}
		if fmt.Sprint(before.Gaps) != fmt.Sprint([]Range{{lost, lost}}) {
			return fmt.Errorf("check finds the gaps %v", before.Gaps)
		}
	} else if len(before.Gaps) > 0 {
		return fmt.Errorf("check finds the gaps %v", before.Gaps)
	}
	r, err := OpenRead(cfg)
	if err != nil {
		return fmt.Errorf("open for reading: %w", err)
	}
	if err := exceptFor(r, l, lost); err != nil {
		return fmt.Errorf("reader: %w", err)
	}
	r.Close()
	if lost > 0 && r.Head().Seq != head {
		return fmt.Errorf("the reader's head is %d, not %d", r.Head().Seq, head)
	}

	j, report, err := Open(cfg)
	if err != nil {
		return err
	}
	defer j.Close()
	if j.Head().Seq != head {
		return fmt.Errorf("the head is %d, not %d", j.Head().Seq, head)
	}
	if err := exceptFor(j, l, lost); err != nil {
		return err
	}
	if lost > 0 {
		named := append(report.Damage, j.Damage()...)
		if len(named) != 1 || named[0].Records != (Range{lost, lost}) {
			return fmt.Errorf("the damage is named as %v", named)
		}
		if _, err := j.Record(lost); !errors.Is(err, ErrGap) {
			return fmt.Errorf("record %d: %w", lost, err)
		}
	}
	after, err := j.Append(records(2, 999, 5))
	if err != nil || after.Seq != head+2 {
		return fmt.Errorf("append: %d, %w", after.Seq, err)
	}
	if lost > 0 {
		if err := j.Restore(lost, [][]byte{makeRecord(lost, 12345, "", 0)}); !errors.Is(err, ErrChain) {
			return fmt.Errorf("restore another record: %w", err)
		}
		if err := j.Restore(lost, [][]byte{[]byte(l.acked[lost])}); err != nil {
			return fmt.Errorf("restore: %w", err)
		}
	}
	if err := exceptFor(j, l, 0); err != nil {
		return fmt.Errorf("in the end: %w", err)
	}
	end, err := Check(cfg, nil)
	if err == nil && (len(end.Gaps) > 0 || len(end.Faults) > 0 || lost > 0 && !end.OK()) {
		err = fmt.Errorf("check in the end: %+v", end)
	}
	return err
}

// exceptFor holds a journal to have every acknowledged record but one.
func exceptFor(r reading, l *ledger, lost events.Seq) error {
	got, gaps, err := readAll(r)
	if err != nil {
		return err
	}
	for seq, want := range l.acked {
		if seq != lost && got[seq] != want {
			return fmt.Errorf("record %d is lost (gaps %v)", seq, gaps)
		}
	}
	if lost > 0 && (len(gaps) != 1 || gaps[0] != Range{lost, lost}) || lost == 0 && len(gaps) > 0 {
		return fmt.Errorf("gaps %v, lost is %d", gaps, lost)
	}
	again, err := r.Gaps()
	if err != nil || fmt.Sprint(again) != fmt.Sprint(gaps) {
		return fmt.Errorf("gaps %v, scan finds %v, %w", again, gaps, err)
	}
	if _, err := r.Seals(0, r.Head().Seq); err != nil {
		return err
	}
	return r.Receipts(func(events.Seq, []byte) error { return nil })
}

// The last segment is cut off at every byte: whole records stay, the rest is told.
func TestCutEveryByte(t *testing.T) {
	mem, cfg, l := small(t)
	lst, _ := list(mem, "j")
	name := filepath.Join("j", baseName(lst.segments[len(lst.segments)-1], extSegment))
	head, frames := framesOf(t, mem, name)
	first := lst.segments[len(lst.segments)-1]
	for size := range len(mem.Bytes(name)) {
		m := mem.Clone()
		m.Set(name, m.Bytes(name)[:size])
		want, torn := first-1, false
		for _, f := range frames {
			if f.end <= size && f.t == Record {
				want = f.seq
			}
			torn = torn || f.off < size && size < f.end && len(bytes.Trim(m.Bytes(name)[f.off:], "\x00")) > 0
		}
		c := cfg
		c.FS = m
		r, err := OpenRead(c)
		if err != nil {
			t.Fatalf("cut at %d: %v", size, err)
		}
		if r.Head().Seq != want {
			t.Fatalf("cut at %d: the reader's head is %d, want %d", size, r.Head().Seq, want)
		}
		if got, gaps, err := readAll(r); err != nil || len(gaps) > 0 || len(got) != int(want) {
			t.Fatalf("cut at %d: the reader reads %d, gaps %v, %v", size, len(got), gaps, err)
		}
		r.Close()
		j, report, err := Open(c)
		if err != nil {
			t.Fatalf("cut at %d: %v", size, err)
		}
		if j.Head().Seq != want {
			t.Fatalf("cut at %d: the head is %d, want %d", size, j.Head().Seq, want)
		}
		if size >= head && torn != (report.CutBytes > 0) || size < head && len(report.Aside) != 1 {
			t.Fatalf("cut at %d: %+v", size, report)
		}
		mustAppend(t, j, records(3, 55, 1))
		if _, gaps, err := readAll(j); err != nil || len(gaps) > 0 {
			t.Fatalf("cut at %d: %v, gaps %v", size, err, gaps)
		}
		if last, _ := j.LastReceipt(); size < head && string(last) != l.receipt && len(last) == 0 {
			t.Fatalf("cut at %d: the receipt is lost", size)
		}
		mustClose(t, j)
	}
}
