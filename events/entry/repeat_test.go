package entry

import (
	"fmt"
	"strings"
	"testing"

	"ullage/events"
)

const keyed = `{"kind":"note.written","done":"2026-03-02T09:05:00+01:00","site":"s1","machine":"m1","visit":"v1","by":"T2","key":"k-1","body":{"text":"%s"}}`

// The same key with the same content is answered with the first record, in a later call and in the same.
func TestRepeatedKey(t *testing.T) {
	for _, text := range []string{"short", long} {
		line := fmt.Sprintf(keyed, text)
		r := newRig("tab-1", false)
		a := r.record(t, line, line, note("other"), line)
		first := a[0]
		if first.Again || !a[1].Again || a[1].ID != first.ID || a[1].Seq != 1 || a[1].Visit != first.Visit || a[2].Seq != 2 || !a[3].Again {
			t.Errorf("in one call: %+v", a)
		}
		held := len(r.pieces.held)
		// As given: without done it matches any; a label is bound to the first record's visit, for the rest of the call.
		a = r.record(t, note("new", "visit", "v2"), strings.Replace(line, `"done":"2026-03-02T09:05:00+01:00",`, "", 1), note("more", "visit", "v1"),
			strings.Replace(line, `"v1"`, `"`+first.Visit.String()+`"`, 1), strings.Replace(line, `"v1"`, `"x1"`, 1), note("still more", "visit", "x1"))
		for _, i := range []int{1, 3, 4} {
			if !a[i].Again || a[i].ID != first.ID || a[i].Visit != first.Visit || a[i].Seq != 1 {
				t.Errorf("in a later call, line %d: %+v, the first was %+v", i+1, a[i], first)
			}
		}
		if a[0].Visit == first.Visit || a[2].Visit != first.Visit || a[5].Visit != first.Visit {
			t.Errorf("visits %s, %s, %s; the first was %s", a[0].Visit, a[2].Visit, a[5].Visit, first.Visit)
		}
		if r.journal.head.Seq != 5 || len(r.pieces.held) != held {
			t.Errorf("%d records, %d pieces, want 5 and %d", r.journal.head.Seq, len(r.pieces.held), held)
		}
		appends := r.journal.appends
		if a := r.record(t, line); len(a) != 1 || r.journal.appends != appends {
			t.Errorf("a call of repeats only wrote: %+v", a)
		}
	}
}

// The same key with another content is an error that names both, and the field that differs.
func TestKeyOfAnother(t *testing.T) {
	first := fmt.Sprintf(keyed, long)
	for _, tt := range []struct{ old, new, differs string }{
		{"note.written", "vessel.moved", "kind"},
		{"09:05:00+01:00", "09:05:01+01:00", "done"},
		{"09:05:00+01:00", "08:05:00Z", "done"},
		{`"site":"s1"`, `"site":"s2"`, "site"},
		{`"site":"s1",`, ``, "site"},
		{`"machine":"m1"`, `"machine":"m2"`, "machine"},
		{`"visit":"v1",`, ``, "visit"},
		{`"visit":"v1"`, `"visit":"` + counterID(1).String() + `"`, "visit"},
		{`"visit":"v1"`, `"visit":"taken"`, "visit"},
		{`"by":"T2"`, `"by":"T3"`, "by"},
		{long, long + "!", "body"},
		{long, "short", "body"},
		{`{"text":"` + long + `"}`, `{"evidence":"` + long + `"}`, "body"},
		{long, "evidence:" + strings.Repeat("1", 64), "body"},
	} {
		second := strings.Replace(first, tt.old, tt.new, 1)
		if tt.differs == "kind" {
			second = strings.Replace(second, `{"text":"`+long+`"}`, `{"vessel":"p-1","to":"van"}`, 1)
		}
		taken := note("x", "visit", "taken")
		r := newRig("tab-1", false)
		bad := r.refuse(t, taken, first, second)
		for _, part := range []string{"line 3: key: \"k-1\"", "line 2", ": " + tt.differs + " differs"} {
			if !strings.Contains(bad.Error(), part) {
				t.Errorf("in one call, %s -> %s: got %v, want %s", tt.old, tt.new, bad, part)
			}
		}
		a := r.record(t, first)
		bad = r.refuse(t, taken, second)
		for _, part := range []string{"line 2: key: \"k-1\"", a[0].ID.String(), "number 1", ": " + tt.differs + " differs"} {
			if !strings.Contains(bad.Error(), part) {
				t.Errorf("in a later call, %s -> %s: got %v, want %s", tt.old, tt.new, bad, part)
			}
		}
	}
}

// A label cannot stand for the visit of a record that has none.
func TestRepeatWithLabel(t *testing.T) {
	r := newRig("tab-1", false)
	r.record(t, note("x", "key", "k"))
	for _, lines := range [][]string{{note("x", "key", "k", "visit", "v1")}, {note("y", "key", "l"), note("y", "key", "l", "visit", "v1")}} {
		if bad := r.refuse(t, lines...); !strings.Contains(bad.Error(), "visit differs") {
			t.Errorf("got %v", bad)
		}
	}
}

// A text is compared under the salt that is kept; one that was erased can no longer be shown to be the same.
func TestRepeatedTextErased(t *testing.T) {
	r := newRig("tab-1", false)
	r.record(t, fmt.Sprintf(keyed, long))
	clear(r.pieces.held)
	if bad := r.refuse(t, fmt.Sprintf(keyed, long)); !strings.Contains(bad.Error(), "body differs") {
		t.Errorf("got %v", bad)
	}
}

// A label in a body is bound by a repeat too; a label that stands for another visit differs.
func TestRepeatedLabelInBody(t *testing.T) {
	const line = `{"kind":"bill.sent","key":"b-1","body":{"visit":"v1","reference":"R"}}`
	r := newRig("office-1", true)
	r.record(t, line)
	visit := body[*events.BillSent](t, r, 1).Visit
	a := r.record(t, line, note("x", "visit", "v1"))
	if !a[0].Again || a[1].Visit != visit {
		t.Errorf("answers %+v, the visit was %s", a, visit)
	}
	if bad := r.refuse(t, note("x", "visit", "v1"), line); !strings.Contains(bad.Error(), "body differs") {
		t.Errorf("got %v", bad)
	}
	if a := r.record(t, strings.Replace(line, "b-1", "b-2", 1), strings.Replace(line, "b-1", "b-2", 1)); !a[1].Again {
		t.Errorf("twice in one call: %+v", a)
	}
}

// What a correction was over is no part of what was given.
func TestRepeatedCorrection(t *testing.T) {
	r := newRig("tab-1", false)
	a := r.record(t, note("one", "site", "s1", "visit", "v1"))
	line := sprint("kind", "record.amended", "key", "c-1", "body", `{"target":"`+a[0].ID.String()+`","body":{"text":"`+long+`"},"why":"typo"}`)
	first := r.record(t, line)[0]
	other := r.record(t, strings.Replace(line, "c-1", "c-2", 1))[0]
	for _, l := range []string{line, strings.Replace(line, "c-1", "c-2", 1)} {
		again := r.record(t, l)
		if !again[0].Again || again[0].ID != first.ID && again[0].ID != other.ID || again[0].Visit != a[0].Visit {
			t.Errorf("answer %+v", again[0])
		}
	}
	if bad := r.refuse(t, strings.Replace(line, "typo", "tippo", 1)); !strings.Contains(bad.Error(), "body differs") {
		t.Errorf("got %v", bad)
	}
	if r.journal.head.Seq != 3 {
		t.Errorf("%d records, want 3", r.journal.head.Seq)
	}
}

// A line that names another line of its call cannot be the repeat of a record that was written before.
func TestRepeatedTargetInCall(t *testing.T) {
	old := counterID(1)
	base := sprint("kind", "request.noted", "body", `{"what":"a drum"}`, "record", `{"id":"`+old.String()+`"}`)
	opened := sprint("kind", "visit.opened", "key", "o-1", "body", `{"answers":"`+old.String()+`"}`)
	r := newRig("tab-1", false)
	a := r.record(t, base, opened, opened)
	if !a[2].Again || a[2].ID != a[1].ID {
		t.Errorf("in one call: %+v", a)
	}
	if bad := r.refuse(t, base, opened); !strings.Contains(bad.Error(), "body differs") {
		t.Errorf("got %v", bad)
	}
	// With a key of its own the base is the record that was written before, and so all is.
	keyedBase := strings.Replace(base, `"kind"`, `"key":"r-1","kind"`, 1)
	opened = strings.Replace(opened, "o-1", "o-2", 1)
	r.record(t, keyedBase, opened)
	a = r.record(t, keyedBase, opened)
	if !a[0].Again || !a[1].Again {
		t.Errorf("all again: %+v", a)
	}
}
