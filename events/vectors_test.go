package events_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/pack"
)

// A bad vector is bytes that must be refused: by DecodeRecord ("refused: record"), or, where they are a record, by the
// form of its kind ("refused: body"). Its header tells why, and a part of what the error says.
type badVector struct {
	name  string
	body  bool
	says  string
	bytes []byte
}

// badVectors reads testdata/vectors/bad. It fails where there is none.
func badVectors(t testing.TB) []badVector {
	t.Helper()
	names, err := filepath.Glob("../testdata/vectors/bad/*.txt")
	if err != nil || len(names) == 0 {
		t.Fatalf("no bad vectors (%v)", err)
	}
	var all []badVector
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		head, digits, ok := strings.Cut(string(text), "\n\n")
		if !ok {
			t.Fatalf("%s: no blank line", name)
		}
		v := badVector{name: filepath.Base(name)}
		for line := range strings.Lines(head) {
			key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
			switch {
			case key == "refused" && (value == "record" || value == "body"):
				v.body = value == "body"
			case key == "says" && value != "":
				v.says = value
			case key != "why" || value == "":
				t.Fatalf("%s: what is %q?", name, line)
			}
		}
		if v.says == "" {
			t.Fatalf("%s: says is missing", name)
		}
		for _, token := range strings.Fields(digits) {
			run, times, many := strings.Cut(token, "*") // 00*65427: a byte many times
			b, err := hex.DecodeString(run)
			n := 1
			if err == nil && many {
				n, err = strconv.Atoi(times)
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			v.bytes = append(v.bytes, bytes.Repeat(b, n)...)
		}
		all = append(all, v)
	}
	return all
}

func TestBadVectors(t *testing.T) {
	for _, v := range badVectors(t) {
		t.Run(v.name, func(t *testing.T) {
			agree(t, v.bytes)
			r, err := events.DecodeRecord(v.bytes)
			if !v.body {
				if !errors.Is(err, events.ErrForm) && !errors.Is(err, events.ErrTooLarge) {
					t.Fatalf("got %v, want ErrForm or ErrTooLarge", err)
				}
				if r.Body != nil || r.Device != "" {
					t.Errorf("something is filled in beside the error: %+v", r)
				}
			} else {
				if err != nil {
					t.Fatalf("DecodeRecord: got %v, want a record whose body is refused", err)
				}
				var body events.Body
				if body, err = events.DecodeBody(r.Kind, r.V, r.Body); body != nil {
					t.Errorf("got a body beside the error: %+v", body)
				}
				var f *events.FieldError
				if !errors.As(err, &f) && !errors.Is(err, pack.ErrForm) {
					t.Fatalf("got %v, want a FieldError or pack.ErrForm", err)
				}
				s, _ := events.SchemaOf(r.Kind, r.V)
				if form := s.CheckForm(r.Body); form == nil || !strings.Contains(err.Error(), form.Error()) {
					t.Errorf("CheckForm: got %v, want the same as DecodeBody: %v", form, err)
				}
			}
			if !strings.Contains(err.Error(), v.says) {
				t.Errorf("got %q, want something of %q", err, v.says)
			}
		})
	}
}
