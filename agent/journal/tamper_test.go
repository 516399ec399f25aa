package journal

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// patch changes bytes of a segment and makes the sum of the frame around them hold again, as someone would who knows
// the format.
func patch(m *frail.Disk, name string, f frameAt, off int, to []byte) {
	b := m.Bytes(name)
	mark, _, _ := parseName(filepath.Base(name))
	copy(b[off:], to)
	binary.LittleEndian.PutUint32(b[f.off+4:], frameSum(mark, int64(f.off), b[f.off:f.off+4], b[f.off+8:f.end]))
	m.Set(name, b)
}

// Frames whose sums hold are not believed against the chain: a changed record is damage, and so is one behind damage
// whose link frame does not prove it.
func TestTamper(t *testing.T) {
	base, cfg, l := small(t)
	name := lastSegment(base)
	_, frames := framesOf(t, base, name)
	var recs, links []frameAt
	for i, f := range frames {
		if f.t == Record {
			recs, links = append(recs, f), append(links, frames[i+1])
		}
	}
	if len(recs) < 3 {
		t.Fatal("too few records in the last segment")
	}
	const random = 16 // a byte of the random part of the id, so that the record stays in form
	try := func(what string, lost Range, change func(m *frail.Disk)) {
		t.Helper()
		m := base.Clone()
		change(m)
		c := cfg
		c.FS = m
		report, err := Check(c, nil)
		if err != nil || report.OK() {
			t.Fatalf("%s: check: %+v, %v", what, report, err)
		}
		j, _ := mustOpen(t, c)
		defer j.Close()
		got, gaps, err := readAll(j)
		if err != nil || len(gaps) != 1 || gaps[0] != lost {
			t.Fatalf("%s: gaps %v, want %v, %v", what, gaps, lost, err)
		}
		for seq, b := range got {
			if l.acked[seq] != b {
				t.Fatalf("%s: record %d is another", what, seq)
			}
		}
		if int(j.Head().Seq) != len(l.acked) {
			t.Fatalf("%s: the head is %d", what, j.Head().Seq)
		}
	}
	try("a record", Range{recs[0].seq, recs[0].seq}, func(m *frail.Disk) {
		patch(m, name, recs[0], recs[0].off+frameHead+random, []byte{0xaa})
	})
	try("a record behind a damaged one", Range{recs[0].seq, recs[1].seq}, func(m *frail.Disk) {
		m.Flip(name, recs[0].off+20, 1)
		m.Flip(name, links[0].off+20, 1)
		patch(m, name, recs[1], recs[1].off+frameHead+random, []byte{0xaa})
	})
	try("the link before a record", Range{recs[1].seq, recs[1].seq}, func(m *frail.Disk) {
		patch(m, name, links[1], links[1].end-1, []byte{0xaa})
	})
}

// A segment that is sound in itself and goes on from another link than the one before it ends with is a fault.
func TestOtherBranch(t *testing.T) {
	mem, cfg, _ := small(t)
	lst, _ := list(mem, "j")
	mark := lst.segments[len(lst.segments)-1]
	id := identity{testDevice, testKey}
	d := dirFS{mem, "j"}
	w, err := d.newSegment(header{identity: id, base: place{seq: mark - 1, link: events.Hash{1}}})
	if err != nil {
		t.Fatal(err)
	}
	w.add(Record, makeRecord(mark, 666, "", 0), 0)
	if _, err := w.finish(0); err != nil {
		t.Fatal(err)
	}
	if err := w.place(); err != nil {
		t.Fatal(err)
	}
	report, err := Check(cfg, nil)
	if err != nil || len(report.Faults) != 1 || !errors.Is(report.Faults[0].Err, ErrChain) {
		t.Fatalf("check: %+v, %v", report.Faults, err)
	}
}

// Seals and receipts are handed to whoever knows them, each with its place in the chain.
func TestCheckVerifies(t *testing.T) {
	_, cfg, l := small(t)
	j, _ := mustOpen(t, cfg)
	mine := errors.New("not mine")
	seen := map[FrameType]int{}
	report, err := Check(cfg, func(ft FrameType, payload []byte, seq events.Seq, link events.Hash) error {
		if at, err := j.LinkAt(seq); err != nil || at != link {
			t.Errorf("%s %q at %d: its link is not that of the journal (%v)", ft, payload, seq, err)
		}
		if seen[ft]++; ft == Receipt && string(payload) == l.receipt {
			return mine
		}
		return nil
	})
	if err != nil || len(report.Faults) != 1 || !errors.Is(report.Faults[0].Err, mine) || report.OK() {
		t.Fatalf("check: %+v, %v", report.Faults, err)
	}
	if seen[Seal] == 0 || seen[Seal] != seen[Receipt] {
		t.Fatalf("judged: %v", seen)
	}
	mustClose(t, j)
}

// After a sync that failed, the system may show bytes that will never reach the disk. Whoever opens the journal reads
// them and counts on them, so they must be written once more.
func TestUnprovenIsWrittenAgain(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(seed, 5))
		m, l := frail.New(), newLedger()
		cfg := storyConfig(m)
		mustCreate(t, cfg)
		j, _ := mustOpen(t, cfg)
		if err := l.add(j, 2, 100, true); err != nil {
			t.Fatal(err)
		}
		m.Failing = true
		if err := l.add(j, 2, 100, true); !errors.Is(err, ErrStopped) {
			t.Fatal(err)
		}
		mustClose(t, j)
		j, report := mustOpen(t, cfg)
		if err := l.verify(j); err != nil {
			t.Fatal(err)
		}
		if report.Rewritten == 0 || j.Head().Seq != 4 {
			t.Fatalf("head %d, %+v", j.Head().Seq, report)
		}
		m = m.Cut(rng)
		if err := recheck(m, l); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
	}
}
