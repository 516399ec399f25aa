package entry

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"

	"ullage/events"
)

var long = strings.Repeat("a sentence that goes on; ", 8)

// The lines of the handbook's first page: a machine's register entry, and the start of a visit.
func TestVisit(t *testing.T) {
	office := newRig("office-1", true)
	office.record(t,
		`{"kind":"site.entered","site":"north-yard","body":{"name":"North Yard depot","customer":"C-4"}}`,
		`{"kind":"machine.entered","site":"north-yard","machine":"nw-01","body":{"class":"sink","serial":"A-17","working_l":200,"tanks":[{"tank":"bath","shape":"rectangular","length_mm":900,"width_mm":600,"height_mm":500}],"positions":["filter","diffuser"]}}`)
	site := body[*events.SiteEntered](t, office, 1)
	if got, _, _ := office.pieces.Text(site.Name); string(got) != "North Yard depot" {
		t.Errorf("the site's name is kept as %q", got)
	}
	machine := body[*events.MachineEntered](t, office, 2)
	if *machine.WorkingL != 200 || *machine.Tanks[0].WidthMm != 600 || machine.Positions[1] != "diffuser" {
		t.Errorf("machine: %+v", machine)
	}

	r := newRig("tab-1", false)
	answers := r.record(t,
		`{"kind":"visit.opened","done":"2026-03-02T09:02:00+01:00","site":"north-yard","visit":"v1","by":"T2","body":{"reason":"planned"}}`,
		``,
		`{"kind":"work.started","done":"2026-03-02T09:03:00+01:00","site":"north-yard","machine":"nw-01","visit":"v1","by":"T2","body":{"found_by":"plate"}}`,
		"  \t\r",
		`{"kind":"reading.taken","done":"2026-03-02T09:05:00.250+01:00","site":"north-yard","machine":"nw-01","visit":"v1","by":"T2","body":{"quantity":"volume","value":180,"unit":"L","u":1,"method":"dip","moment":"arrival"}}`,
	)
	if len(answers) != 3 || r.journal.appends != 1 {
		t.Fatalf("%d answers in %d appends, want 3 in 1", len(answers), r.journal.appends)
	}
	for i, a := range answers {
		rec := r.at(t, events.Seq(i+1))
		if a.Seq != rec.Seq || a.ID != rec.ID || a.Visit != rec.Visit || a.Again || a.Held || a.Flags != nil {
			t.Errorf("answer %d is %+v for %+v", i, a, rec)
		}
		if !rec.Visit.Valid() || rec.Visit != answers[0].Visit || rec.Visit == rec.ID {
			t.Errorf("record %d: visit %s, the first has %s", i, rec.Visit, answers[0].Visit)
		}
		if rec.Site != "north-yard" || rec.By != "T2" || rec.Zone != 60 || rec.V != 1 || rec.Device != "tab-1" {
			t.Errorf("record %d: %+v", i, rec)
		}
	}
	last := r.at(t, 3)
	if got := last.Done.Format(last.Zone); got != "2026-03-02T09:05:00.250+01:00" || last.Machine != "nw-01" {
		t.Errorf("record 3 was done %s at %q", got, last.Machine)
	}
	reading := body[*events.ReadingTaken](t, r, 3)
	if reading.Quantity != "volume" || *reading.Value != 180 || *reading.U != 1 || reading.NotRead != nil {
		t.Errorf("reading: %+v", reading)
	}
}

func TestNothingToRecord(t *testing.T) {
	r := newRig("tab-1", false)
	for _, in := range []string{"", "\n", "\xef\xbb\xbf\r\n \r\n"} {
		answers, err := r.Record(strings.NewReader(in))
		if err != nil || answers == nil || len(answers) > 0 || r.journal.appends > 0 {
			t.Errorf("Record(%q) = %v, %v after %d appends", in, answers, err, r.journal.appends)
		}
	}
}

func TestAnswerJSON(t *testing.T) {
	id, visit := counterID(1), counterID(2)
	for want, a := range map[string]Answer{
		`{"seq":7,"id":"` + id.String() + `","visit":null}`:                                         {Seq: 7, ID: id},
		`{"seq":1,"id":"` + id.String() + `","visit":"` + visit.String() + `","again":true}`:        {Seq: 1, ID: id, Visit: visit, Again: true},
		`{"seq":1,"id":"` + id.String() + `","visit":null,"held":true,"warning":"w","flags":["a"]}`: {Seq: 1, ID: id, Held: true, Warning: "w", Flags: []string{"a"}},
	} {
		got, err := json.Marshal(a)
		if err != nil || string(got) != want {
			t.Errorf("got  %s, %v\nwant %s", got, err, want)
		}
		var back Answer
		if err := json.Unmarshal(got, &back); err != nil || !reflect.DeepEqual(back, a) {
			t.Errorf("%s reads back to %+v, %v", got, back, err)
		}
	}
	for _, s := range []string{`{"seq":1,"id":"x"}`, `{"seq":1,"id":"` + id.String() + `","visit":"x"}`, `[]`} {
		var a Answer
		if err := json.Unmarshal([]byte(s), &a); err == nil {
			t.Errorf("%s was read", s)
		}
	}
}

func TestDoneLeftOut(t *testing.T) {
	r := newRig("tab-1", false)
	r.zone = -210
	r.record(t, note("now"))
	if rec := r.at(t, 1); rec.Done != noon || rec.Zone != -210 {
		t.Errorf("done %d, zone %d", rec.Done, rec.Zone)
	}
}

func TestFuture(t *testing.T) {
	r := newRig("tab-1", false)
	answers := r.record(t, note("a", "done", "2026-03-02T12:00:00.001Z"), note("b", "done", "2026-03-02T13:00:00+01:00"))
	if !reflect.DeepEqual(answers[0].Flags, []string{"in-future"}) || answers[1].Flags != nil {
		t.Errorf("flags %v and %v", answers[0].Flags, answers[1].Flags)
	}
}

// An empty text or list counts as not given, in the envelope and in the body.
func TestEmptyIsNotGiven(t *testing.T) {
	r := newRig("office-1", true)
	r.record(t, `{"kind":"site.entered","site":"s1","machine":"","visit":"","by":"","key":"","done":"","body":{"name":"","customer":"C","sockets":[],"water":"","refs":[]}}`,
		`{"kind":"work.started"}`)
	site := body[*events.SiteEntered](t, r, 1)
	if !reflect.DeepEqual(site, &events.SiteEntered{Customer: "C"}) {
		t.Errorf("body: %+v", site)
	}
	rec := r.at(t, 1)
	if rec.Machine != "" || !rec.Visit.IsZero() || rec.By != "" || rec.Key != "" || rec.Done != noon {
		t.Errorf("record: %+v", rec)
	}
}

func TestTexts(t *testing.T) {
	r := newRig("tab-1", false)
	edge := strings.Repeat("ö", events.MaxText)
	named := "evidence:" + strings.Repeat("0f", 32)
	r.record(t, note(edge), note(edge+"x"), note(strings.Repeat("y", MaxPlain)), note(named),
		sprint("kind", "photo.taken", "body", `{"evidence":"short","preview":"`+named+`"}`),
		note("evidence: see the picture"), sprint("kind", "photo.taken", "body", `{"evidence":"evidence:12"}`))
	if b := body[*events.NoteWritten](t, r, 6); b.Text.Plain != "evidence: see the picture" {
		t.Errorf("a text that only begins like a digest: %+v", b.Text)
	}
	if b := body[*events.NoteWritten](t, r, 1); b.Text.Plain != edge {
		t.Errorf("80 characters: %+v", b.Text)
	}
	for seq, want := range map[events.Seq]string{2: edge + "x", 3: strings.Repeat("y", MaxPlain)} {
		b := body[*events.NoteWritten](t, r, seq)
		if got, ok, _ := r.pieces.Text(b.Text.Digest); !ok || string(got) != want {
			t.Errorf("record %d: %d bytes kept, want %d", seq, len(got), len(want))
		}
	}
	if b := body[*events.NoteWritten](t, r, 4); b.Text.Digest.String() != named[len("evidence:"):] {
		t.Errorf("a digest by name: %+v", b.Text)
	}
	photo := body[*events.PhotoTaken](t, r, 5)
	if got, _, _ := r.pieces.Text(photo.Evidence); string(got) != "short" || photo.Preview.String() != named[len("evidence:"):] {
		t.Errorf("photo: %q, %s", got, photo.Preview)
	}
	if len(r.pieces.held) != 4 {
		t.Errorf("%d pieces, want 4", len(r.pieces.held))
	}
}

// The same text twice is two pieces, so that one can be erased without the other.
func TestSameTextTwice(t *testing.T) {
	r := newRig("tab-1", false)
	r.record(t, note(long), note(long))
	if a, b := body[*events.NoteWritten](t, r, 1), body[*events.NoteWritten](t, r, 2); a.Text.Digest == b.Text.Digest {
		t.Error("one digest for two notes")
	}
}

func TestLabels(t *testing.T) {
	r := newRig("office-1", true)
	a := r.record(t, note("a", "visit", "v1"), note("b", "visit", "v2"), note("c", "visit", "v1"), note("d"),
		sprint("kind", "bill.sent", "visit", "v2", "body", `{"visit":"v1","reference":"R"}`),
		sprint("kind", "bill.sent", "body", `{"visit":"v3"}`), note("e", "visit", "v3"))
	v1, v2, v3 := a[0].Visit, a[1].Visit, a[6].Visit
	if v1 == v2 || v1 == v3 || v1.IsZero() || !v1.Valid() || a[2].Visit != v1 || !a[3].Visit.IsZero() || a[4].Visit != v2 {
		t.Errorf("visits of %+v", a)
	}
	if b := body[*events.BillSent](t, r, 5); b.Visit != v1 {
		t.Errorf("label in a body: %s, want %s", b.Visit, v1)
	}
	if b := body[*events.BillSent](t, r, 6); b.Visit != v3 {
		t.Errorf("label first seen in a body: %s, want %s", b.Visit, v3)
	}
	if at := v1.At(); at != noon {
		t.Errorf("the visit's identifier was made at %d, want %d", at, noon)
	}
	// Local to the call; the identifier goes on in another.
	b := r.record(t, note("f", "visit", "v1"), note("g", "visit", strings.ToUpper(v1.String())))
	if b[0].Visit == v1 || b[1].Visit != v1 {
		t.Errorf("a later call: %s and %s, the first had %s", b[0].Visit, b[1].Visit, v1)
	}
}

func TestFailures(t *testing.T) {
	full := errors.New("the disk is full")
	for name, spoil := range map[string]func(*rig){
		"journal":  func(r *rig) { r.journal.fail = full },
		"evidence": func(r *rig) { r.pieces.fail = full },
		"random":   func(r *rig) { r.Random = func([]byte) error { return full } },
		"judge":    func(r *rig) { r.Judge = func(*events.Record, events.Body) ([]string, error) { return nil, full } },
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig("tab-1", false)
			spoil(r)
			answers, err := r.Record(strings.NewReader(note("first") + "\n" + note(long, "visit", "v1")))
			if !errors.Is(err, full) || answers != nil || r.journal.head.Seq != 0 {
				t.Errorf("Record = %v, %v with the journal at %d", answers, err, r.journal.head.Seq)
			}
			var bad *LineError
			if errors.As(err, &bad) {
				t.Errorf("the line is blamed: %v", err)
			}
		})
	}
	r := newRig("tab-1", false)
	r.journal.head.Device = "tab-2"
	if _, err := r.Record(strings.NewReader(note("x"))); err == nil || err.Error() != `the journal is that of "tab-2", not of "tab-1"` {
		t.Errorf("a journal of another device: %v", err)
	}
	if _, err := (&Writer{}).Record(strings.NewReader("")); err == nil {
		t.Error("a writer without anything works")
	}
	if _, err := (&Writer{}).NewSession().Line(1, nil); err == nil {
		t.Error("a session without anything works")
	}
}

func TestManyLines(t *testing.T) {
	r := newRig("tab-1", false)
	lines := make([]string, 5000)
	for i := range lines {
		lines[i] = note("n", "visit", "v1")
	}
	if a := r.record(t, lines...); len(a) != 5000 || a[4999].Seq != 5000 || r.journal.appends != 1 {
		t.Errorf("%d answers in %d appends", len(a), r.journal.appends)
	}
	lines[4999] = note("n", "visit", "?")
	if bad := r.refuse(t, lines...); bad.Line != 5000 || bad.Field != "visit" {
		t.Errorf("got %v", bad)
	}
}

func TestJudge(t *testing.T) {
	r := newRig("tab-1", false)
	began := 0
	r.Begin = func() { began++ }
	var seen []string
	r.Judge = func(rec *events.Record, b events.Body) ([]string, error) {
		text := b.(*events.NoteWritten).Text.Plain
		seen = append(seen, string(rec.Kind)+" "+string(rec.Site)+" "+text)
		switch text {
		case "bad":
			return nil, &events.FieldError{Path: "machine", Value: `"m9"`, Want: "the site has m1"}
		case "odd":
			return []string{"not-on-register", "in-future"}, nil
		}
		return nil, nil
	}
	a := r.record(t, note("fine", "site", "s1"), note("odd"), note("odd", "done", "2027-01-01T00:00:00Z"))
	if began != 1 || !reflect.DeepEqual(seen, []string{"note.written s1 fine", "note.written  odd", "note.written  odd"}) {
		t.Errorf("began %d times, saw %q", began, seen)
	}
	if a[0].Flags != nil || !reflect.DeepEqual(a[1].Flags, []string{"not-on-register", "in-future"}) || !reflect.DeepEqual(a[2].Flags, []string{"in-future", "not-on-register"}) {
		t.Errorf("flags %v, %v, %v", a[0].Flags, a[1].Flags, a[2].Flags)
	}
	if bad := r.refuse(t, note("fine"), note("bad")); bad.Error() != `line 2: machine: "m9": the site has m1` {
		t.Errorf("got %v", bad)
	}
}
