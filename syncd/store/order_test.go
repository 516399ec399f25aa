package store

import (
	"context"
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/list"
)

// Whatever the order in which the pushes of different devices arrive, however they are cut, and whatever is stored
// again: the model answers what one answers who folds everything at once, and it tells the same restatements whether
// messages come one by one or in great transactions.
func TestOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		stretches := receive(rt, tell(rt, t))
		bounds := projections.Now
		if rapid.Bool().Draw(rt, "bounded") {
			bounds.AsOf = events.MillisOf(began) + events.Millis(rapid.IntRange(0, 60).Draw(rt, "as of"))*60_000
			bounds.KnownAt = events.MillisOf(began) + events.Millis(rapid.IntRange(0, 6).Draw(rt, "known at"))*1_800_000
		}
		messages := arrive(rt, stretches)
		want := plain{arrivals(messages)}.asker().answers(bounds)
		if other := (plain{arrivals(arrive(rt, stretches))}).asker().answers(bounds); other != want {
			rt.Fatal("the order matters to the projections: " + difference(other, want))
		}
		s := deliver(rt, tempDir(rt), messages)
		if got := s.asker(context.Background()).answers(bounds); got != want {
			rt.Error(difference(got, want))
		}
		wantRestatements(rt, s, restated(messages, washers))
		if err := s.Close(); err != nil {
			rt.Error(err)
		}
	})
}

// difference is the first line that two texts do not share.
func difference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d\n got %s\nwant %s", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, not %d", len(g), len(w))
}

func tempDir(t *rapid.T) string {
	dir, err := os.MkdirTemp("", "ullage-store-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// deliver writes messages into a new model, in transactions of random sizes; now and then the writer forgets what it
// remembers, or the model is closed and opened again.
func deliver(t *rapid.T, dir string, messages []sent) *Store {
	s, e := opened(t, dir)
	for from := 0; from < len(messages); {
		switch rapid.IntRange(0, 7).Draw(t, "again") {
		case 0:
			e.close()
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s, e = opened(t, dir)
		case 1:
			e.forget()
		}
		to := rapid.IntRange(from+1, len(messages)).Draw(t, "transaction")
		var batch []*message
		for _, m := range messages[from:to] {
			batch = append(batch, m.read(t))
		}
		if err := e.apply(batch); err != nil {
			t.Fatal(err)
		}
		wantResults(t, e, messages[:to])
		from = to
	}
	e.close()
	return s
}

type failer interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}

func opened(t failer, dir string) (*Store, *engine) {
	t.Helper()
	s, err := Open(config(dir))
	if err != nil {
		t.Fatal(err)
	}
	e, err := newEngine(s.model, s.cfg.Log)
	if err != nil {
		t.Fatal(err)
	}
	return s, e
}

func (m sent) read(t failer) *message {
	t.Helper()
	msg, err := readMessage(m.place, m.data, byOffice)
	if err != nil {
		t.Fatal(err)
	}
	msg.sort()
	return msg
}

// wantResults holds what the engine remembers, and what it would find if it remembered nothing, to the plain model.
func wantResults(t failer, e *engine, messages []sent) {
	t.Helper()
	for id, want := range (plain{arrivals(messages)}).results(washers) {
		e.own = map[uint64][]arrival{}
		fresh, err := e.load(id, e.seq)
		if err != nil {
			t.Fatal(err)
		}
		remembered, ok := e.machines.get(id)
		for i, p := range list.All {
			if !same(fresh.results[i], want[i]) {
				t.Errorf("%s of %s: got\n%s\nwant\n%s", p.Name, id, fresh.results[i], want[i])
			}
			if ok && !same(remembered.results[i], want[i]) {
				t.Errorf("%s of %s, as remembered: got\n%s\nwant\n%s", p.Name, id, remembered.results[i], want[i])
			}
		}
	}
}

func same(a, b []projections.Result) bool {
	return len(a) == 0 && len(b) == 0 || reflect.DeepEqual(a, b)
}

func wantRestatements(t failer, s *Store, want []Restatement) {
	t.Helper()
	got, err := s.Restatements(context.Background(), "")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Errorf("%d restatements, want %d", len(got), len(want))
	}
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Errorf("restatement %d: got\n%+v\nwant\n%+v", i, got[i], want[i])
			break
		}
	}
}
