package events_test

import (
	"slices"
	"testing"

	"ullage/events"
)

// Which pieces a body names: in lists and objects, texts that became evidence, and neither short texts nor bare hashes.
func TestEvidenceIn(t *testing.T) {
	a, b, c := sum("a"), sum("b"), sum("c")
	text := func(d events.Digest) events.Text { return events.Text{Digest: d} }
	body := func(x events.Body) []byte {
		raw, err := events.EncodeBody(x)
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	for _, x := range []struct {
		body events.Body
		want []events.Digest
	}{
		{&events.NoteWritten{Text: plain("short")}, nil},
		{&events.NoteWritten{Text: text(a)}, []events.Digest{a}},
		{&events.SignatureCaptured{Evidence: a, Shown: b, Remark: text(c)}, []events.Digest{a, c, b}},
		{&events.ErasureDone{Evidence: []events.Digest{b, a}, Ground: text(c)}, []events.Digest{b, a, c}},
		{&events.CheckpointSeen{Origin: "o", Size: 1, Root: a}, nil},
		{&events.RecordAmended{Target: events.Target{Device: "d", Seq: 1, Hash: a}, Why: text(c), Body: body(&events.NoteWritten{Text: text(b)})}, []events.Digest{c}},
	} {
		kind := x.body.Kind()
		if got := events.EvidenceIn(kind, events.Newest(kind), body(x.body)); !slices.Equal(got, x.want) {
			t.Errorf("%s: %v, want %v", kind, got, x.want)
		}
	}
	if got := events.EvidenceIn("note.written", 99, body(&events.NoteWritten{Text: text(a)})); got != nil {
		t.Errorf("an unknown version: %v", got)
	}
	if got := events.EvidenceIn("note.written", 1, []byte{0xc1}); got != nil {
		t.Errorf("no body: %v", got)
	}

	amended := events.RecordAmended{Target: events.Target{Device: "d", Seq: 1, Hash: a}, Why: text(c), Body: body(&events.NoteWritten{Text: text(b)})}
	r := events.Record{Kind: "record.amended", V: 1, Body: body(&amended)}
	if got := events.EvidenceAmended(&r, "note.written", 1); !slices.Equal(got, []events.Digest{b}) {
		t.Errorf("amended: %v", got)
	}
	if got := events.EvidenceAmended(&r, "visit.opened", 1); got != nil {
		t.Errorf("amended as another kind: %v", got)
	}
	r = events.Record{Kind: "note.written", V: 1, Body: body(&events.NoteWritten{Text: text(b)})}
	if got := events.EvidenceAmended(&r, "note.written", 1); got != nil {
		t.Errorf("no amendment: %v", got)
	}
}
