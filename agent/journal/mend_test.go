package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// lastSegment is the path of the last segment.
func lastSegment(m *frail.Disk) string {
	l, _ := list(m, "j")
	return filepath.Join("j", baseName(l.segments[len(l.segments)-1], extSegment))
}

// Whole stretches are lost: zeroed, or filled with noise. Every record whose frames lie outside is there, and what is
// missing can be put back.
func TestLoseStretches(t *testing.T) {
	t.Parallel()
	mem, cfg, l := small(t)
	seed := uint64(time.Now().UnixNano())
	rng := rand.New(rand.NewPCG(seed, 2))
	t.Logf("seed %d", seed)
	lst, _ := list(mem, "j")
	for run := range 1500 / part {
		m := mem.Clone()
		mark := lst.segments[rng.IntN(len(lst.segments))]
		name := filepath.Join("j", baseName(mark, extSegment))
		_, frames := framesOf(t, m, name)
		end := frames[len(frames)-1].end
		from := rng.IntN(end)
		to := min(end, from+1+rng.IntN(700))
		noise := rng.IntN(2) == 0
		for i := from; i < to; i++ {
			b := byte(0)
			if noise {
				b = byte(rng.Uint32())
			}
			m.Bytes(name)[i] = b
		}
		must := map[events.Seq]bool{}
		for seq := range l.acked {
			must[seq] = true
		}
		for _, f := range frames {
			if f.t == Record && f.off < to && f.end+linkLen > from {
				delete(must, f.seq)
			}
		}
		tail := name == lastSegment(mem) && to > end-settledLen // then the last write may look torn
		c := cfg
		c.FS = m
		if err := stretchLost(c, l, must, tail); err != nil {
			t.Fatalf("run %d: %s, bytes %d to %d of %d, noise %v: %v", run, name, from, to, end, noise, err)
		}
	}
}

func stretchLost(cfg Config, l *ledger, must map[events.Seq]bool, tail bool) error {
	rd, err := OpenRead(cfg)
	if err != nil {
		return err
	}
	got, _, err := readAll(rd)
	rd.Close()
	if err != nil {
		return fmt.Errorf("reader: %w", err)
	}
	j, _, err := Open(cfg)
	if err != nil {
		return err
	}
	defer j.Close()
	if head := j.Head().Seq; head != events.Seq(len(l.acked)) && !tail {
		return fmt.Errorf("the head is %d, not %d", head, len(l.acked))
	}
	mine, gaps, err := readAll(j)
	if err != nil {
		return err
	}
	for seq := range must {
		if mine[seq] != l.acked[seq] || got[seq] != l.acked[seq] {
			return fmt.Errorf("record %d is lost", seq)
		}
	}
	for _, gap := range gaps {
		var lost [][]byte
		for seq := gap.From; seq <= gap.To; seq++ {
			lost = append(lost, []byte(l.acked[seq]))
		}
		if err := j.Restore(gap.From, lost); err != nil {
			return fmt.Errorf("restore %v: %w", gap, err)
		}
	}
	if _, err := j.Append(records(2, 77, 9)); err != nil {
		return err
	}
	if err := j.Mend(); err != nil {
		return err
	}
	back, gaps, err := readAll(j)
	if err != nil || len(gaps) > 0 {
		return fmt.Errorf("in the end: gaps %v, %w", gaps, err)
	}
	for seq, want := range l.acked {
		if back[seq] != want && !tail {
			return fmt.Errorf("record %d is not back", seq)
		}
	}
	report, err := Check(cfg, nil)
	if err == nil && len(report.Damage()) > 0 {
		err = fmt.Errorf("check in the end: %v", report.Damage())
	}
	return err
}

// A new segment whose bytes never came to the disk, though its name did: it holds nothing that was acknowledged.
func TestEmptyLastSegment(t *testing.T) {
	for name, b := range map[string][]byte{"no bytes": nil, "zeros": make([]byte, 1000), "half a head": []byte("ullage.jour")} {
		mem, cfg, l := small(t)
		mem.Set(filepath.Join("j", baseName(events.Seq(len(l.acked)+1), extSegment)), b)
		r, err := OpenRead(cfg)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := l.verify(r); err != nil {
			t.Fatalf("%s: reader: %v", name, err)
		}
		r.Close()
		j, report := mustOpen(t, cfg)
		if len(report.Aside) != 1 || len(report.Damage) != 1 {
			t.Fatalf("%s: %+v", name, report)
		}
		if err := l.verify(j); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := l.add(j, 3, 10, true); err != nil {
			t.Fatal(err)
		}
		mustClose(t, j)
		if err := recheck(mem, l); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
}

// All segments are gone or empty: the journal begins anew and says so.
func TestNothingLeft(t *testing.T) {
	for _, remove := range []bool{true, false} {
		mem, cfg, _ := small(t)
		l, _ := list(mem, "j")
		for _, mark := range l.segments {
			name := filepath.Join("j", baseName(mark, extSegment))
			mem.Lose(name)
			if !remove {
				mem.Set(name, nil)
			}
		}
		j, report := mustOpen(t, cfg)
		if j.Head().Seq != 0 || report.Clean() {
			t.Fatalf("removed %v: head %d, %+v", remove, j.Head().Seq, report)
		}
		mustAppend(t, j, records(2, 5, 5))
		mustClose(t, j)
	}
}

// An index that is missing, damaged, or of another state of its segment is made anew.
func TestBadIndex(t *testing.T) {
	base, cfg, l := small(t)
	lst, _ := list(base, "j")
	idx := func(i int) string { return filepath.Join("j", baseName(lst.segments[i], extIndex)) }
	good := base.Bytes(idx(0))
	tables, end, _ := OpenTable(base, lst.segments[0])
	shorter := *tables
	n := len(shorter.recs) - 1
	shorter.recs = shorter.recs[:n]
	rd, err := OpenRead(cfg)
	if err != nil {
		t.Fatal(err)
	}
	_, shorter.last, err = rd.fetch(lst.segments[0] + events.Seq(n) - 1)
	if err != nil {
		t.Fatal(err)
	}
	rd.Close()
	other := *tables
	other.last.link[0]++
	for name, b := range map[string][]byte{
		"of another segment": base.Bytes(idx(1)),
		"empty":              {},
		"cut":                good[:len(good)-1],
		"zeros":              make([]byte, len(good)),
		"another link":       encodeIndex(lst.segments[0], &other, end),
		"older":              encodeIndex(lst.segments[0], &shorter, int64(tables.recs[len(tables.recs)-1].off)),
	} {
		m := base.Clone()
		m.Set(idx(0), b)
		c := cfg
		c.FS = m
		report, err := Check(c, nil)
		if err != nil || !report.OK() || report.Segments[0].Index != IndexStale {
			t.Fatalf("%s: check: %+v, %v", name, report.Segments[0], err)
		}
		j, _ := mustOpen(t, c)
		copied := *l
		copied.tried = map[events.Seq][]string{}
		if err := copied.verify(j); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := exceptFor(j, l, 0); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		mustClose(t, j)
		if report, err := Check(c, nil); err != nil || report.Segments[0].Index != IndexGood {
			t.Fatalf("%s: the index was not made anew: %+v, %v", name, report.Segments[0], err)
		}
	}
}

// OpenTable reads the table of a sound segment.
func OpenTable(m *frail.Disk, mark events.Seq) (*table, int64, error) {
	f, err := m.Open(filepath.Join("j", baseName(mark, extSegment)))
	if err != nil {
		return nil, 0, err
	}
	sv, err := surveySegment(f, "", mark, identity{testDevice, testKey}, false)
	if err != nil {
		return nil, 0, err
	}
	return sv.table(), sv.end, nil
}

// An index that knows more than its segment tells that records are missing: a disk that lied about a sync.
func TestSegmentBehindIndex(t *testing.T) {
	mem, cfg, l := small(t)
	lst, _ := list(mem, "j")
	name := filepath.Join("j", baseName(lst.segments[0], extSegment))
	_, frames := framesOf(t, mem, name)
	cut := 0
	for _, f := range frames {
		if f.t == Record {
			cut = f.off
		}
	}
	mem.Set(name, mem.Bytes(name)[:cut])
	lost := Range{lst.segments[1] - 1, lst.segments[1] - 1}
	j, _ := mustOpen(t, cfg)
	defer j.Close()
	if err := exceptFor(j, l, lost.From); err != nil {
		t.Fatal(err)
	}
	report, err := Check(cfg, nil)
	if err != nil || fmt.Sprint(report.Gaps) != fmt.Sprint([]Range{lost}) {
		t.Fatalf("check: %+v, %v", report, err)
	}
}

// A disk that says it synced and did not loses what was acknowledged. What is left must still read as a journal, and
// whoever holds a later number (a receipt, the centre) can tell that the head fell behind it.
func TestLyingSync(t *testing.T) {
	fell := 0
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(seed, 3))
		m, l := frail.New(), newLedger()
		if err := l.story(storyConfig(m), rng, 2); err != nil {
			t.Fatal(err)
		}
		m.Lying = true
		if err := l.story(storyConfig(m), rng, 3); err != nil {
			t.Fatal(err)
		}
		m = m.Cut(rng)
		j, _, err := Open(storyConfig(m))
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		got, gaps, err := readAll(j)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for seq, b := range got {
			if l.acked[seq] != b {
				t.Fatalf("seed %d: record %d was never acknowledged", seed, seq)
			}
		}
		missing := len(l.acked) - len(got)
		for _, gap := range gaps {
			missing -= gap.Len()
		}
		if behind := len(l.acked) - int(j.Head().Seq); missing != behind {
			t.Fatalf("seed %d: %d records are missing without a word, the head is %d behind", seed, missing, behind)
		} else if behind > 0 {
			fell++
		}
		mustAppend(t, j, records(1, 4, 4))
		mustClose(t, j)
	}
	if fell == 0 {
		t.Fatal("the lies had no effect")
	}
	t.Logf("the head fell behind %d times of 300", fell)
}

// A crash at any call while a segment is set aside, or a gap is filled, is finished by the next Open.
func TestCrashWhileMending(t *testing.T) {
	t.Parallel()
	base, cfg, l := small(t)
	lst, _ := list(base, "j")
	for i, mark := range lst.segments {
		name := filepath.Join("j", baseName(mark, extSegment))
		_, frames := framesOf(t, base, name)
		var hit []frameAt
		for _, f := range frames {
			if f.t == Record {
				hit = append(hit, f)
			}
		}
		lost := hit[len(hit)/2]
		for left := range 60 {
			for seed := range uint64(8 / part) {
				rng := rand.New(rand.NewPCG(seed, uint64(left)))
				m := base.Clone()
				m.Flip(name, lost.off+20, 4)
				c := cfg
				c.FS = m
				m.Left = left
				err := mendStory(c, l, lost.seq)
				if err != nil && !errors.Is(err, frail.ErrPower) {
					t.Fatalf("segment %d, cut at call %d: %v", i, left, err)
				}
				after := m.Cut(rng)
				c.FS = after
				if r, err := OpenRead(c); err != nil {
					t.Fatalf("segment %d, cut at call %d, seed %d: read: %v", i, left, seed, err)
				} else if _, _, err := readAll(r); err != nil || r.Head().Seq < events.Seq(len(l.acked)) {
					t.Fatalf("segment %d, cut at call %d, seed %d: read: head %d, %v", i, left, seed, r.Head().Seq, err)
				} else {
					r.Close()
				}
				if err := mendStory(c, l, lost.seq); err != nil {
					t.Fatalf("segment %d, cut at call %d, seed %d: %v", i, left, seed, err)
				}
			}
		}
	}
}

// mendStory opens, reads over the damage, puts the record back, appends, and has all in the end.
func mendStory(cfg Config, l *ledger, lost events.Seq) error {
	j, _, err := Open(cfg)
	if err != nil {
		return err
	}
	defer j.Close()
	if _, _, err := readAll(j); err != nil {
		return err
	}
	gaps, err := j.Gaps()
	if err != nil {
		return err
	}
	if len(gaps) > 0 {
		if fmt.Sprint(gaps) != fmt.Sprint([]Range{{lost, lost}}) {
			return fmt.Errorf("gaps %v", gaps)
		}
		if err := j.Restore(lost, [][]byte{[]byte(l.acked[lost])}); err != nil {
			return err
		}
	}
	if _, err := j.Append(records(1, int(j.Head().Seq), 0)); err != nil {
		return err
	}
	return exceptFor(j, l, 0)
}
