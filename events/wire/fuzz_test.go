package wire_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"ullage/events/wire"
)

// fuzz feeds one decoder, beginning with the golden bytes of the messages it decodes.
func fuzz(f *testing.F, names ...string) {
	var m message
	for _, one := range messages() {
		if slices.Contains(names, one.name) {
			m = one
			_, b := readGolden(f, one.name)
			f.Add(b)
		}
	}
	if m.decode == nil {
		f.Fatal("no such message")
	}
	f.Fuzz(func(t *testing.T, b []byte) { checkTotal(t, m, b) })
}

func FuzzAnswer(f *testing.F)      { fuzz(f, "answer-ok", "answer-busy", "answer-refused") }
func FuzzHello(f *testing.F)       { fuzz(f, "hello") }
func FuzzHelloAnswer(f *testing.F) { fuzz(f, "hello-answer", "hello-answer-first") }
func FuzzSeal(f *testing.F)        { fuzz(f, "seal") }
func FuzzPush(f *testing.F)        { fuzz(f, "push", "push-again") }
func FuzzPushAnswer(f *testing.F)  { fuzz(f, "push-answer", "push-answer-first") }
func FuzzReceipt(f *testing.F)     { fuzz(f, "receipt") }
func FuzzBack(f *testing.F)        { fuzz(f, "back") }
func FuzzBackAnswer(f *testing.F)  { fuzz(f, "back-answer") }
func FuzzPull(f *testing.F)        { fuzz(f, "pull", "pull-first") }
func FuzzPullAnswer(f *testing.F)  { fuzz(f, "pull-answer") }
func FuzzPulled(f *testing.F)      { fuzz(f, "pulled") }
func FuzzCommit(f *testing.F)      { fuzz(f, "commit", "commit-healed", "commit-branch") }
func FuzzStored(f *testing.F)      { fuzz(f, "stored") }
func FuzzAside(f *testing.F)       { fuzz(f, "aside") }
func FuzzLog(f *testing.F)         { fuzz(f, "log") }

// FuzzUnfold: what unfolds can be folded, and then unfolds to the same.
func FuzzUnfold(f *testing.F) {
	_, b := readGolden(f, "columns")
	f.Add(b)
	for _, pieces := range variants(f) {
		if dense, random := wire.Fold(pieces); len(dense)+len(random) < 2000 {
			f.Add(append(dense, random...))
		}
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		list, err := wire.Unfold(content, 1<<20)
		if err != nil {
			if !wire.IsMessage(err) || list != nil {
				t.Fatalf("%d bytes, %v", len(list), err)
			}
			return
		}
		checkFold(t, list)
	})
}

// FuzzFold: whatever the pieces are, they come back.
func FuzzFold(f *testing.F) {
	for _, pieces := range variants(f) {
		if list := listOf(pieces); len(list) < 2000 {
			f.Add(list)
		}
	}
	f.Fuzz(checkFold)
}

func checkFold(t *testing.T, list []byte) {
	pieces, err := wire.Pieces(list, len(list), len(list))
	if err != nil {
		return // an empty piece that travelled as it is
	}
	dense, random := wire.Fold(pieces)
	again, err := wire.Unfold(append(dense, random...), len(list))
	if err != nil || !bytes.Equal(again, list) {
		t.Fatalf("%x\nbecomes\n%x, %v", list, again, err)
	}
}

func FuzzCode(f *testing.F) {
	f.Add(goldenCode)
	f.Fuzz(func(t *testing.T, s string) { checkCode(t, s) })
}

// A subject that is read is the one that is written, and names one device.
func FuzzSubjects(f *testing.F) {
	f.Add(wire.UpSubject("tab-1", wire.Push))
	f.Add(wire.PushSubject("tab-1"))
	f.Add("up.tab-1.>")
	f.Fuzz(func(t *testing.T, s string) {
		if d, verb, err := wire.ParseUp(s); err == nil && (wire.UpSubject(d, verb) != s || wire.OwnInbox(d, s)) {
			t.Errorf("%q is read as %q of %q", s, verb, d)
		}
		if d, err := wire.ParsePush(s); err == nil && wire.PushSubject(d) != s {
			t.Errorf("%q is read as that of %q", s, d)
		}
		if wire.OwnInbox("tab-1", s) && !strings.HasPrefix(s, "inbox.tab-1.") {
			t.Errorf("%q is taken for an inbox of tab-1", s)
		}
		if wire.CheckFeedFilter(s) == nil && !strings.HasPrefix(s, "feed.") {
			t.Errorf("%q is taken for a part of the feed", s)
		}
	})
}
