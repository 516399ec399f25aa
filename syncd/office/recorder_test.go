package office

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

// world is a recorder between a journal and a stream.
type world struct {
	*Recorder
	book   *book
	stream *sink
	log    bytes.Buffer
}

func newWorld() *world {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32))
	w := &world{book: newBook(key.Public().(ed25519.PublicKey))}
	w.stream = &sink{link: w.book.links[0]}
	w.again(key)
	return w
}

// again is a new start of the centre.
func (w *world) again(key ed25519.PrivateKey) {
	var n byte
	seal := func(seq events.Seq, link events.Hash) events.Seal { return events.SignSeal(key, own, seq, link, "") }
	w.Recorder = NewRecorder(RecorderConfig{
		Journal: w.book, Commit: w.stream.commit, Seal: seal, Log: slog.New(slog.NewTextHandler(&w.log, nil)),
		Writer: &entry.Writer{
			Device: own, Office: true, Journal: w.book, Lookup: w.book, Evidence: noEvidence{}, Seal: seal,
			Now: func() events.Millis { return events.MillisOf(time.Now()) }, Zone: func(events.Millis) int { return 0 },
			Random: func(p []byte) error { n++; p[0] = n; return nil },
		},
	})
}

func noted(text, key string) string {
	return fmt.Sprintf(`{"kind":"note.written","by":"O1","key":%q,"body":{"text":%q}}`, key, text)
}

func (w *world) same(t *testing.T, n int) {
	t.Helper()
	if len(w.book.records) != n || len(w.stream.records) != n || w.book.receipted != events.Seq(n) {
		t.Fatalf("%d records are kept, %d received, %d receipted; want %d", len(w.book.records), len(w.stream.records), w.book.receipted, n)
	}
	for i := range w.book.records {
		if !bytes.Equal(w.book.records[i], w.stream.records[i]) {
			t.Errorf("record %d is another one in the stream", i+1)
		}
	}
}

var errAway = errors.New("the broker is away")

// TestLostPushes fails each step of a push twice: failed and not stored, failed and stored. Either way the caller hears
// that his records are kept and not to be given again, and they are received once, without a hand.
func TestLostPushes(t *testing.T) {
	for name, disturb := range map[string]func(*sink){
		"not stored": func(s *sink) { s.before = errAway },
		"but stored": func(s *sink) { s.after = errAway },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			defer w.running(t)()
			if _, err := w.Record(t.Context(), strings.NewReader(noted("one", ""))); err != nil {
				t.Fatal(err)
			}
			w.stream.mu.Lock()
			disturb(w.stream)
			w.stream.mu.Unlock()
			answers, err := w.Record(t.Context(), strings.NewReader(noted("two", "k")+"\n"+noted("three", "")))
			var kept *NotReceivedError
			if !errors.As(err, &kept) || !errors.Is(err, errAway) || len(kept.Answers) != 2 || kept.Answers[1].Seq != 3 {
				t.Errorf("%v %v", answers, err)
			}
			if !strings.Contains(err.Error(), "2 records are kept, and not received yet") {
				t.Errorf("the words: %v", err)
			}
			w.received(t, 3)
			// Whoever gives them again under a key gets the first answer.
			answers, err = w.Record(t.Context(), strings.NewReader(noted("two", "k")))
			if err != nil || !answers[0].Again || answers[0].Seq != 2 {
				t.Errorf("again: %v %v", answers, err)
			}
			w.same(t, 3)
		})
	}
}

// running lets Run run, with short waits, until what it returns is called.
func (w *world) running(t *testing.T) func() {
	w.least, w.most = time.Millisecond, 4*time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- w.Run(ctx) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("run: %v", err)
		}
	}
}

// received waits until so many records are receipted.
func (w *world) received(t *testing.T, n int) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if got, _ := w.book.Receipted(); got == events.Seq(n) {
			w.same(t, n)
			return
		}
	}
	t.Fatalf("%d records are not receipted after 10 s", n)
}

// TestRunGoesOn lets many tries fail.
func TestRunGoesOn(t *testing.T) {
	w := newWorld()
	if _, err := w.Record(t.Context(), strings.NewReader(noted("one", ""))); err != nil {
		t.Fatal(err)
	}
	w.stream.away = 20
	stop := w.running(t)
	if _, err := w.Record(t.Context(), strings.NewReader(noted("two", ""))); err == nil {
		t.Error("no error")
	}
	w.received(t, 2)
	stop()
	if n := strings.Count(w.log.String(), "tried again"); n != 19 {
		t.Errorf("%d lines in the log", n)
	}
	if !strings.Contains(w.log.String(), "received again") {
		t.Error("the log does not say that it is well again")
	}
}

// TestManyRecord records from many sides: one push at a time, each record once.
func TestManyRecord(t *testing.T) {
	w := newWorld()
	var work sync.WaitGroup
	for i := range 8 {
		work.Go(func() {
			for k := range 10 {
				if _, err := w.Record(t.Context(), strings.NewReader(noted(fmt.Sprint(i, k), ""))); err != nil {
					t.Error(err)
				}
			}
		})
	}
	work.Wait()
	w.same(t, 80)
	if w.stream.most != 1 {
		t.Errorf("%d pushes at once", w.stream.most)
	}
}

// TestCallerGoesAway: what is kept is sent, whether its sender waits or not.
func TestCallerGoesAway(t *testing.T) {
	w := newWorld()
	if err := w.Push(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := w.Record(ctx, strings.NewReader(noted("one", ""))); err != nil {
		t.Error(err)
	}
	w.same(t, 1)
}

// TestLargePushes brings more than one push holds.
func TestLargePushes(t *testing.T) {
	w := newWorld()
	var lines strings.Builder
	for i := range 2*wire.MaxRecords + 1 {
		fmt.Fprintln(&lines, noted(fmt.Sprint(i), ""))
	}
	if _, err := w.Record(t.Context(), strings.NewReader(lines.String())); err != nil {
		t.Fatal(err)
	}
	w.same(t, 2*wire.MaxRecords+1)
	if got := fmt.Sprint(w.stream.sizes); got != "[1000 1000 1]" {
		t.Errorf("pushes of %s", got)
	}
}

// TestApart refuses to record on a chain that the stream does not know, and keeps nothing then.
func TestApart(t *testing.T) {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32))
	for name, c := range map[string]struct {
		spoil func(*world)
		words string
	}{
		"the journal is older": {func(w *world) {
			w.book.records, w.book.links = w.book.records[:1], w.book.links[:2]
			w.book.head.Seq, w.book.head.Link, w.book.receipted = 1, w.book.links[1], 1
		}, "the stream has 2 of the office, its journal 1"},
		"a record is another":  {func(w *world) { w.stream.link, w.book.receipted = events.Hash{9}, 1 }, "record 2 of the office is another one in the stream"},
		"the chain is another": {func(w *world) { w.stream.link = events.Hash{9} }, "another link"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			for _, text := range []string{"one", "two"} {
				if _, err := w.Record(t.Context(), strings.NewReader(noted(text, ""))); err != nil {
					t.Fatal(err)
				}
			}
			c.spoil(w)
			before := len(w.book.records)
			w.again(key)
			for range 2 {
				_, err := w.Record(t.Context(), strings.NewReader(noted("three", "")))
				if !errors.Is(err, ErrApart) || !strings.Contains(err.Error(), c.words) {
					t.Errorf("%v", err)
				}
			}
			if len(w.book.records) != before {
				t.Error("a record was kept all the same")
			}
		})
	}
}

// TestStreamIsBehind: what the stream has lost of the office goes again before anything new, with the receipts that it had.
func TestStreamIsBehind(t *testing.T) {
	for left := range 3 {
		w := newWorld()
		for _, text := range []string{"one", "two", "three"} {
			if _, err := w.Record(t.Context(), strings.NewReader(noted(text, ""))); err != nil {
				t.Fatal(err)
			}
		}
		w.stream.records, w.stream.link, w.stream.originals = w.stream.records[:left], w.book.links[left], nil
		w.again(ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32)))
		if _, err := w.Record(t.Context(), strings.NewReader(noted("four", ""))); err != nil {
			t.Fatalf("%d left: %v", left, err)
		}
		w.same(t, 4)
		want := append(slices.Repeat([]bool{true}, 3-left), false) // one push each, and the new one
		if !slices.Equal(w.stream.originals, want) {
			t.Errorf("%d left: pushes with a receipt: %v, want %v", left, w.stream.originals, want)
		}
	}
}

// TestFullDisk: where the journal takes nothing, nothing is sent, and the caller hears why.
func TestFullDisk(t *testing.T) {
	w := newWorld()
	w.book.full = errors.New("the disk is full")
	_, err := w.Record(t.Context(), strings.NewReader(noted("one", "")))
	if kept := (*NotReceivedError)(nil); !errors.Is(err, w.book.full) || errors.As(err, &kept) {
		t.Errorf("%v", err)
	}
	w.same(t, 0)
}
