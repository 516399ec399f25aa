package entry

import (
	"errors"
	"io"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"

	"ullage/events"
)

// Each line of a stream is in the journal before it is answered; a bad one stops nothing.
func TestStream(t *testing.T) {
	r := newRig("tab-1", false)
	began := 0
	r.Begin = func() { began++ }
	in := strings.Join([]string{
		note("a", "visit", "v1"),
		`{"kind":"note.written","body":{"text":7},"visit":"v2"}`,
		"",
		strings.Repeat("x", MaxLine+2),
		note("b", "visit", "v1", "key", "k"),
		note("c", "visit", "v2", "key", "k"),
		note("b", "visit", "v1", "key", "k"),
		note(long, "record", `{"id":"`+counterID(1).String()+`"}`),
		amend(counterID(1).String(), `"by":"T1"`),
		amend(counterID(1).String(), `"by":"T2"`),
		note("last", "visit", "v2"),
	}, "\n")
	var log []string
	var answers []Answer
	bad, err := r.Stream(iotest.OneByteReader(strings.NewReader(in)), func(a Answer) error {
		if !a.Again && a.Seq != r.journal.head.Seq {
			t.Errorf("answered %d with the journal at %d", a.Seq, r.journal.head.Seq)
		}
		answers = append(answers, a)
		log = append(log, "ok")
		return nil
	}, func(e *LineError) error {
		log = append(log, strings.SplitN(e.Error(), ":", 3)[0]+" "+e.Field)
		return nil
	})
	want := []string{"ok", "line 2 body.text", "line 4 ", "ok", "line 6 key", "ok", "ok", "ok", "ok", "ok"}
	if err != nil || bad != 3 || !reflect.DeepEqual(log, want) {
		t.Fatalf("Stream = %d, %v\n got %q\nwant %q", bad, err, log, want)
	}
	if answers[1].Visit != answers[0].Visit || !answers[2].Again || answers[6].Visit == answers[0].Visit || answers[6].Visit.IsZero() {
		t.Errorf("answers %+v", answers)
	}
	if b := body[*events.RecordAmended](t, r, 5); b.Target != r.journal.target(3) || len(b.Over) != 1 || b.Over[0] != events.HashRecord(r.journal.records[3]) {
		t.Errorf("amended %+v", b)
	}
	if r.journal.appends != 6 || began != 9 {
		t.Errorf("%d appends, began %d times", r.journal.appends, began)
	}
}

func TestStreamEnds(t *testing.T) {
	stop := errors.New("stop")
	fine := func(Answer) error { return nil }
	never := func(e *LineError) error { return e }
	two := note("a") + "\n" + note("b") + "\n"

	r := newRig("tab-1", false)
	if _, err := r.Stream(strings.NewReader(two), func(Answer) error { return stop }, never); err != stop || r.journal.head.Seq != 1 {
		t.Errorf("out: %v with the journal at %d", err, r.journal.head.Seq)
	}
	if n, err := r.Stream(strings.NewReader("x\n"+two), fine, func(*LineError) error { return stop }); err != stop || n != 1 || r.journal.head.Seq != 1 {
		t.Errorf("bad: %d, %v", n, err)
	}
	r.journal.fail = io.EOF // whatever the journal says is not the end of the input
	if _, err := r.Stream(strings.NewReader(two), fine, never); !errors.Is(err, io.EOF) {
		t.Errorf("journal: %v", err)
	}
	r.journal.fail = nil
	cut := io.MultiReader(strings.NewReader(two+`{"kind":"note.wr`), iotest.ErrReader(stop))
	if _, err := r.Stream(cut, fine, never); !errors.Is(err, stop) || r.journal.head.Seq != 3 {
		t.Errorf("input: %v with the journal at %d", err, r.journal.head.Seq)
	}
	cut = io.MultiReader(strings.NewReader(two), iotest.ErrReader(stop))
	if _, err := r.Record(cut); !errors.Is(err, stop) || r.journal.head.Seq != 3 {
		t.Errorf("Record: %v with the journal at %d", err, r.journal.head.Seq)
	}
	if _, err := (&Writer{}).Stream(strings.NewReader(""), fine, never); err == nil {
		t.Error("a writer without anything works")
	}
}

// Within a stream too, lines follow the records that they were exported from, and find what else names those.
func TestStreamFollowsOldIDs(t *testing.T) {
	r := newRig("tab-1", false)
	s := r.NewSession()
	old := counterID(1).String()
	line := func(text string) Answer {
		t.Helper()
		a, err := s.Line(1, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	first := line(sprint("kind", "note.written", "body", `{"text":"x"}`, "record", `{"id":"`+old+`"}`))
	line(amend(first.ID.String(), `"by":"T1"`))
	line(amend(old, `"by":"T2"`))
	if b := body[*events.RecordAmended](t, r, 3); b.Target != r.journal.target(1) || !reflect.DeepEqual(b.Over, []events.Hash{r.journal.target(2).Hash}) {
		t.Errorf("amended %+v", b)
	}
	line(sprint("kind", "photo.taken", "body", `{"evidence":"x","about":"`+old+`"}`))
	if b := body[*events.PhotoTaken](t, r, 4); b.About != first.ID.String() {
		t.Errorf("about %s, want %s", b.About, first.ID)
	}
}

// A text that is an exported record's id follows it within the call, others stay.
func TestAboutFollows(t *testing.T) {
	r := newRig("tab-1", false)
	old, other := counterID(1).String(), counterID(2).String()
	photo := func(about string) string {
		return sprint("kind", "photo.taken", "key", "p-"+about[30:], "body", `{"evidence":"x","about":"`+about+`"}`)
	}
	a := r.record(t, sprint("kind", "note.written", "body", `{"text":"x"}`, "record", `{"id":"`+old+`"}`), photo(old), photo(other), photo(old))
	if b := body[*events.PhotoTaken](t, r, 2); b.About != a[0].ID.String() || !a[3].Again {
		t.Errorf("about %s, want %s; answers %+v", b.About, a[0].ID, a)
	}
	if b := body[*events.PhotoTaken](t, r, 3); b.About != other {
		t.Errorf("about %s, want %s", b.About, other)
	}
}

// A failed line leaves nothing behind that a later one could name.
func TestSessionAfterFailure(t *testing.T) {
	r := newRig("tab-1", false)
	s := r.NewSession()
	old := counterID(1).String()
	r.journal.fail = errors.New("full")
	if _, err := s.Line(1, []byte(`{"kind":"note.written","body":{"text":"x"},"record":{"id":"`+old+`"},"key":"k"}`)); err == nil {
		t.Fatal("no error")
	}
	r.journal.fail = nil
	_, err := s.Line(2, []byte(amend(old, `"by":"T1"`)))
	var bad *LineError
	if !errors.As(err, &bad) || bad.Line != 2 || bad.Field != "body.target" {
		t.Errorf("got %v", err)
	}
	if a, err := s.Line(3, []byte(note("y", "key", "k"))); err != nil || a.Seq != 1 || a.Again {
		t.Errorf("got %+v, %v", a, err)
	}
}

func TestReadAll(t *testing.T) {
	for in, line := range map[string]int{"ab\n\ncd\nef": 0, "a\nb\n\nc\nd": 5, "abc\ndefg": 2} {
		all, err := readAll(strings.NewReader(in), 3, 6)
		var bad *LineError
		if line == 0 && (err != nil || len(all) != 3) || line > 0 && (!errors.As(err, &bad) || bad.Line != line || !strings.Contains(bad.Want, "3 lines and 6 bytes")) {
			t.Errorf("%q: %v, %v", in, all, err)
		}
	}
}

func TestLineEnds(t *testing.T) {
	r := newRig("tab-1", false)
	a, err := r.Record(strings.NewReader("\xef\xbb\xbf" + note("a") + "\r\n\r\n" + note("b") + "\r\n"))
	if err != nil || len(a) != 2 {
		t.Errorf("got %v, %v", a, err)
	}
	full := note(strings.Repeat("y", MaxPlain))
	full += strings.Repeat(" ", MaxLine-len(full))
	if a, err := r.Record(strings.NewReader(full + "\n" + full)); err != nil || len(a) != 2 {
		t.Errorf("lines of the greatest length: %v", err)
	}
	if bad := r.refuse(t, full+" "); bad.Line != 1 || !strings.Contains(bad.Want, "at most") {
		t.Errorf("got %v", bad)
	}
}
