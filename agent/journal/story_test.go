package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"syscall"

	"ullage/agent/journal/disk"
	"ullage/events"
)

const errNoSpace = syscall.ENOSPC

// ledger is what a caller of a journal may rely on: every record that was acknowledged, and nothing that was never
// given.
type ledger struct {
	acked    map[events.Seq]string
	tried    map[events.Seq][]string // since the last time the journal was opened
	refused  map[string]bool         // records of which the journal said that they will never be kept
	receipt  string                  // the last acknowledged one
	receipts []string                // tried after it
	salt     int
}

func newLedger() *ledger {
	return &ledger{acked: map[events.Seq]string{}, tried: map[events.Seq][]string{}, refused: map[string]bool{}}
}

// add appends n records and perhaps a seal and a receipt, and writes down what came of it.
func (l *ledger) add(j *Journal, n, size int, notes bool) error {
	l.salt++
	var frames []Frame
	_, err := j.Append(func(head events.Head) ([]Frame, error) {
		frames, _ = records(n, l.salt, size)(head)
		for i, f := range frames {
			seq := head.Seq + events.Seq(i) + 1
			l.tried[seq] = append(l.tried[seq], string(f.Payload))
		}
		if notes {
			frames = append(frames, sealFrame(l.salt), receiptFrame(l.salt))
			l.receipts = append(l.receipts, string(receiptFrame(l.salt).Payload))
		}
		return frames, nil
	})
	if errors.Is(err, ErrFull) {
		for _, f := range frames {
			l.refused[string(f.Payload)] = true
		}
	}
	if err != nil {
		return err
	}
	for _, f := range frames {
		switch f.Type {
		case Record:
			r, _ := events.DecodeRecord(f.Payload)
			l.acked[r.Seq] = string(f.Payload)
			delete(l.tried, r.Seq)
		case Receipt:
			l.receipt, l.receipts = string(f.Payload), nil
		}
	}
	return nil
}

// adopt takes over what an opened journal has beyond what was acknowledged: it was read, so it counts.
func (l *ledger) adopt(got map[events.Seq]string) error {
	for seq, b := range got {
		if l.acked[seq] == b {
			continue
		}
		if l.refused[b] {
			return fmt.Errorf("record %d is there, though it was refused for good", seq)
		}
		ok := false
		for _, tried := range l.tried[seq] {
			ok = ok || tried == b
		}
		if !ok {
			return fmt.Errorf("record %d was never given", seq)
		}
		l.acked[seq] = b
	}
	l.tried = map[events.Seq][]string{}
	return nil
}

// verify holds an opened journal to the ledger; what is there beyond it counts from then on.
func (l *ledger) verify(r reading) error {
	got, gaps, err := readAll(r)
	if err != nil {
		return fmt.Errorf("read all: %w", err)
	}
	if len(gaps) > 0 {
		return fmt.Errorf("gaps %v", gaps)
	}
	for seq, want := range l.acked {
		if got[seq] != want {
			return fmt.Errorf("acknowledged record %d is lost (head %d)", seq, r.Head().Seq)
		}
	}
	if err := l.adopt(got); err != nil {
		return err
	}
	for seq, b := range l.acked {
		rec, _ := events.DecodeRecord([]byte(b))
		n, found, ok, err := r.ByID(rec.ID)
		if err != nil || !ok || n != seq || string(found) != b {
			return fmt.Errorf("record %d by id: %d, %v, %w", seq, n, ok, err)
		}
		if rec.Key == "" {
			continue
		}
		if n, _, ok, err := r.ByKey(rec.Key); err != nil || !ok || n != seq {
			return fmt.Errorf("record %d by key: %d, %v, %w", seq, n, ok, err)
		}
	}
	last, _ := r.LastReceipt()
	ok := string(last) == l.receipt
	for _, tried := range l.receipts {
		if tried == string(last) {
			l.receipt, ok = tried, true
		}
	}
	l.receipts = nil
	if !ok {
		return fmt.Errorf("the last receipt is %q, not %q", last, l.receipt)
	}
	return nil
}

// storyConfig makes segments so small that every story has many.
func storyConfig(layer disk.FS) Config { return Config{Dir: "j", FS: layer, SegmentBytes: 2500} }

// story opens, appends, closes and reads, until something fails.
func (l *ledger) story(cfg Config, rng *rand.Rand, rounds int) error {
	if err := Create(cfg, testDevice, testKey); err != nil && !errors.Is(err, ErrExists) {
		return err
	}
	for range rounds {
		j, _, err := Open(cfg)
		if err != nil {
			return err
		}
		for range 1 + rng.IntN(5) {
			if err = l.add(j, rng.IntN(4), rng.IntN(500), rng.IntN(3) == 0); err != nil {
				break
			}
		}
		if err == nil && rng.IntN(2) == 0 {
			err = j.Scan(1, func(events.Seq, []byte) error { return nil })
		}
		if cerr := j.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			return err
		}
	}
	return nil
}
