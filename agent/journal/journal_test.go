package journal

import (
	"bytes"
	"errors"
	"fmt"
	"testing"

	"ullage/events"
)

func TestAppendAndRead(t *testing.T) {
	cfg := Config{Dir: t.TempDir(), SegmentBytes: 4 << 10}
	if _, _, err := Open(cfg); !errors.Is(err, ErrNone) {
		t.Fatalf("open without a journal: %v", err)
	}
	if _, err := OpenRead(cfg); !errors.Is(err, ErrNone) {
		t.Fatalf("read without a journal: %v", err)
	}
	mustCreate(t, cfg)
	if err := Create(cfg, testDevice, testKey); !errors.Is(err, ErrExists) {
		t.Fatalf("create twice: %v", err)
	}
	j, report := mustOpen(t, cfg)
	if !report.Clean() {
		t.Fatalf("a new journal: %+v", report)
	}
	if h := j.Head(); h.Device != testDevice || h.Seq != 0 || h.Link != events.FirstLink(testDevice, testKey) {
		t.Fatalf("head of a new journal: %+v", h)
	}
	want := make(map[events.Seq]string)
	var seals, receipts []string
	for i := range 60 {
		head := mustAppend(t, j, func(head events.Head) ([]Frame, error) {
			fs, _ := records(i%4, 0, i)(head)
			for k, f := range fs {
				want[head.Seq+1+events.Seq(k)] = string(f.Payload)
			}
			if i%5 == 0 {
				fs = append(fs, sealFrame(i))
				seals = append(seals, string(sealFrame(i).Payload))
			}
			if i%7 == 0 {
				fs = append(fs, receiptFrame(i))
				receipts = append(receipts, string(receiptFrame(i).Payload))
			}
			return fs, nil
		})
		if head != j.Head() {
			t.Fatalf("append returned %+v, head is %+v", head, j.Head())
		}
	}
	check := func(r reading) {
		t.Helper()
		got, gaps, err := readAll(r)
		if err != nil || len(gaps) > 0 || len(got) != len(want) {
			t.Fatalf("read all: %d of %d, gaps %v, %v", len(got), len(want), gaps, err)
		}
		for seq, b := range want {
			if got[seq] != b {
				t.Fatalf("record %d differs", seq)
			}
			rec, _ := events.DecodeRecord([]byte(b))
			n, found, ok, err := r.ByID(rec.ID)
			if err != nil || !ok || n != seq || string(found) != b {
				t.Fatalf("by id of %d: %d %v %v", seq, n, ok, err)
			}
			n, found, ok, err = r.ByKey(rec.Key)
			if err != nil || ok != (rec.Key != "") || ok && (n != seq || string(found) != b) {
				t.Fatalf("by key of %d: %d %v %v", seq, n, ok, err)
			}
			if one, err := r.Record(seq); err != nil || string(one) != b {
				t.Fatalf("record %d: %v", seq, err)
			}
		}
		if _, _, ok, err := r.ByKey("none"); ok || err != nil {
			t.Fatalf("a key that is not there: %v %v", ok, err)
		}
		if _, err := r.Record(0); !errors.Is(err, ErrNoRecord) {
			t.Fatalf("record 0: %v", err)
		}
		if _, err := r.Record(r.Head().Seq + 1); !errors.Is(err, ErrNoRecord) {
			t.Fatalf("record beyond the head: %v", err)
		}
		ss, err := r.Seals(0, r.Head().Seq)
		if err != nil || fmt.Sprintf("%s", ss) != fmt.Sprint(seals) {
			t.Fatalf("seals %s, want %s, %v", ss, seals, err)
		}
		var rs []string
		err = r.Receipts(func(_ events.Seq, p []byte) error { rs = append(rs, string(p)); return nil })
		if err != nil || fmt.Sprint(rs) != fmt.Sprint(receipts) {
			t.Fatalf("receipts %s, want %s, %v", rs, receipts, err)
		}
		last, ok := r.LastReceipt()
		if !ok || string(last) != receipts[len(receipts)-1] {
			t.Fatalf("last receipt %q", last)
		}
	}
	check(j)
	rd, err := OpenRead(cfg)
	if err != nil {
		t.Fatal(err)
	}
	check(rd)
	if err := rd.Close(); err != nil {
		t.Fatal(err)
	}
	mustClose(t, j)
	if _, err := j.Append(records(1, 0, 0)); !errors.Is(err, ErrClosed) {
		t.Fatalf("append after close: %v", err)
	}
	if _, err := j.Record(1); !errors.Is(err, ErrClosed) {
		t.Fatalf("read after close: %v", err)
	}
	j, report = mustOpen(t, cfg)
	if !report.Clean() || report.Segments < 4 {
		t.Fatalf("reopened: %+v", report)
	}
	check(j)
	mustClose(t, j)
	rep, err := Check(cfg, func(FrameType, []byte, events.Seq, events.Hash) error { return nil })
	if err != nil || !rep.OK() {
		t.Fatalf("check: %+v, %v", rep, err)
	}
	for _, s := range rep.Segments[:len(rep.Segments)-1] {
		if s.Index != IndexGood {
			t.Fatalf("index of %s is %q", s.File, s.Index)
		}
	}
}

// Frames that may not stand there change nothing.
func TestAppendRefuses(t *testing.T) {
	cfg := Config{Dir: t.TempDir()}
	mustCreate(t, cfg)
	j, _ := mustOpen(t, cfg)
	defer j.Close()
	head := mustAppend(t, j, records(3, 0, 10))
	other := bytes.Replace(makeRecord(4, 0, "", 1), []byte("tab-1"), []byte("tab-2"), 1)
	for name, fs := range map[string][]Frame{
		"number given before": {{Record, makeRecord(3, 0, "", 1)}},
		"number skipped":      {{Record, makeRecord(5, 0, "", 1)}},
		"second one skipped":  {{Record, makeRecord(4, 0, "", 1)}, {Record, makeRecord(6, 0, "", 1)}},
		"another device":      {{Record, other}},
		"no record":           {{Record, []byte("x")}},
		"empty seal":          {{Seal, nil}},
		"large receipt":       {{Receipt, make([]byte, MaxPayload+1)}},
		"own type":            {{linkFrame, make([]byte, linkSize)}},
		"no type":             {{0, []byte("x")}},
	} {
		if _, err := j.Append(func(events.Head) ([]Frame, error) { return fs, nil }); !errors.Is(err, ErrFrame) {
			t.Errorf("%s: %v", name, err)
		}
	}
	mine := errors.New("mine")
	if _, err := j.Append(func(events.Head) ([]Frame, error) { return nil, mine }); err != mine {
		t.Errorf("an error of build: %v", err)
	}
	if got, err := j.Append(func(events.Head) ([]Frame, error) { return nil, nil }); err != nil || got != head {
		t.Errorf("no frames: %+v, %v", got, err)
	}
	if j.Head() != head {
		t.Errorf("head moved to %+v", j.Head())
	}
	mustAppend(t, j, records(1, 0, 10))
}
