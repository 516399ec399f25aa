package entry

import (
	"bytes"
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"

	"ullage/events"
)

// Whatever the input: no panic; what is refused writes nothing; what is taken decodes, means something, and reads back
// from its export to the same content.
func FuzzLine(f *testing.F) {
	old := counterID(1).String()
	far := "tab-9/4/" + strings.Repeat("1", 64)
	for _, s := range []string{
		note("a", "visit", "v1", "key", "k", "site", "s1", "by", "T1", "done", "2026-03-02T09:05:00.25+01:00"),
		note(long), removed + "\n" + removed, "\xef\xbb\xbf\r\n" + note("x") + "\r\n",
		`{"kind":"note.written","body":{"text":"x"},"record":{"id":"` + old + `"}}` + "\n" + amend(old, `"body":{"text":"`+long+`"}`) + "\n" + withdraw(old),
		amend(far, `"by":"T1"`, "site", "s1"), withdraw(far), `{"kind":"visit.opened","body":{"answers":"` + far + `"}}`,
		`{"kind":"photo.taken","body":{"evidence":"evidence:` + strings.Repeat("0f", 32) + `","about":"` + old + `","size":0}}`,
		`{"kind":"machine.entered","body":{"class":"sink","working_l":1e-7,"hour_counter":false,"tanks":[{"tank":"bath","shape":"strapped","table":[{"depth_mm":0,"l":0},{"depth_mm":1,"l":2}]}]}}`,
		`{"kind":"reading.taken","body":{"quantity":"ph","value":-0.0,"state":{}}}`, `{"kind":"reading.taken","body":{"quantity":"ph","not_read":true,"why":"\ud83d\ude00"}}`,
		`{"kind":"clock.checked","body":{"stepped_ms":-61000}}`, `{"kind":"bill.sent","body":{"visit":"v1","lines":{"digest":"` + strings.Repeat("1", 64) + `","records":["` + far + `"]}}}`,
		`{"kind":"range.lost","body":{"device":"t","from":1,"to":18446744073709551615}}`, `{"a":[{"b":1,"b":[[[[[[[[[[[[[[[[[`, `{"kind":"\ud800"}`,
	} {
		f.Add([]byte(s), true)
		f.Add([]byte(s), false)
	}
	f.Fuzz(func(t *testing.T, in []byte, office bool) {
		a, b := newRig("tab-1", office), newRig("tab-2", office)
		first := a.journal.head
		answers, err := a.Record(bytes.NewReader(in))
		if err != nil {
			var bad *LineError
			if !errors.As(err, &bad) || bad.Line < 1 || bad.Want == "" {
				t.Fatalf("error %#v", err)
			}
			if answers != nil || a.journal.head != first || len(a.pieces.held) > 0 {
				t.Fatalf("%v, and %d records and %d pieces", err, a.journal.head.Seq, len(a.pieces.held))
			}
			return
		}
		for _, raw := range a.journal.records {
			r, err := events.DecodeRecord(raw)
			if err != nil {
				t.Fatal(err)
			}
			body, err := events.DecodeBody(r.Kind, r.V, r.Body)
			if err != nil {
				t.Fatal(err)
			}
			if err := events.Check(body); err != nil {
				t.Fatal(err)
			}
		}
		importInto(t, b, exportOf(t, a))
		compare(t, a, b)
	})
}

// Whatever stands in a body, it is shown as JSON.
func FuzzShow(f *testing.F) {
	for i := range events.Schemas() {
		f.Add(i, []byte{0x80}, []byte{0x80})
	}
	f.Add(0, []byte("\x81\xa4text\xa1x"), []byte("\x80"))
	f.Fuzz(func(t *testing.T, kind int, body, text []byte) {
		all := events.Schemas()
		s := all[uint(kind)%uint(len(all))]
		for _, show := range []Shower{Bare{}, everything{text, s}} {
			got, err := BodyJSON(&events.Record{Kind: s.Kind, V: s.V, Body: body}, show)
			if err != nil || !json.Valid(got) {
				t.Fatalf("%s, %v", got, err)
			}
			if bytes.HasPrefix(got, []byte(`{"raw":`)) != (s.CheckForm(body) != nil) {
				t.Fatalf("%s, and the form is: %v", got, s.CheckForm(body))
			}
			line, err := Line(&events.Record{Kind: s.Kind, V: s.V, Body: body}, show)
			if err != nil || !json.Valid(line) || bytes.ContainsAny(line, "\n\r") {
				t.Fatalf("%s, %v", line, err)
			}
		}
	})
}

// everything finds whatever is looked for.
type everything struct {
	text []byte
	kind *events.Schema
}

func (e everything) Text(events.Digest) ([]byte, bool, error) { return e.text, true, nil }

func (e everything) ID(events.Target) (Named, bool, error) {
	return Named{counterID(1), e.kind.Kind, e.kind.V}, true, nil
}

// An answer that is read says the same when it is written.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"seq":1,"id":"018f2f6e-7b1c-7000-8000-000000000001","visit":null}`))
	f.Add([]byte(`{"seq":2,"id":"018f2f6e-7b1c-7000-8000-000000000002","visit":"018f2f6e-7b1c-7000-8000-000000000003","held":true,"warning":"w","flags":["f"]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var a, again Answer
		if err := a.UnmarshalJSON(b); err != nil {
			if !reflect.DeepEqual(a, Answer{}) {
				t.Errorf("%s: half filled: %+v with %v", b, a, err)
			}
			return
		}
		out, err := a.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		if err := again.UnmarshalJSON(out); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
		if twice, err := again.MarshalJSON(); err != nil || !bytes.Equal(out, twice) {
			t.Errorf("%s, then %s, %v", out, twice, err)
		}
	})
}
