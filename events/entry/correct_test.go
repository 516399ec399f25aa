package entry

import (
	"bytes"
	"reflect"
	"slices"
	"strings"
	"testing"

	"ullage/events"
)

func amend(target, rest string, more ...string) string {
	return sprint(append([]string{"kind", "record.amended", "body", `{"target":"` + target + `","why":"misread",` + rest + `}`}, more...)...)
}

func withdraw(target string) string {
	return sprint("kind", "record.withdrawn", "body", `{"target":"`+target+`","why":"never was"}`)
}

const removed = `{"kind":"fluid.removed","site":"s1","machine":"m1","visit":"v1","body":{"from":"bath","to":"p-31","what":"sludge","volume":12}}`

// A correction carries what the record it names was written with.
func TestCorrectionsEnvelope(t *testing.T) {
	r := newRig("tab-1", false)
	first := r.record(t, removed)[0]
	id := first.ID.String()
	r.record(t,
		amend(id, `"body":{"from":"bath","to":"p-31","what":"sludge","volume":21},"done":"2026-03-01T09:00:00Z","site":"s2","by":"T9"`, "by", "T1"),
		amend(id, `"by":"T9"`, "site", "s1", "machine", "m1", "visit", first.Visit.String()),
		amend(id, `"visit":"w1"`, "visit", "v1"), note("bound", "visit", "v1"), note("new", "visit", "w1"),
		withdraw(id))
	for seq := events.Seq(2); seq <= 7; seq++ {
		rec := r.at(t, seq)
		if strings.HasPrefix(string(rec.Kind), "record.") && (rec.Site != "s1" || rec.Machine != "m1" || rec.Visit != first.Visit) {
			t.Errorf("record %d stands at %q, %q, %s", seq, rec.Site, rec.Machine, rec.Visit)
		}
	}
	b := body[*events.RecordAmended](t, r, 2)
	if b.Target != r.journal.target(1) || b.Site != "s2" || b.By != "T9" || r.at(t, 2).By != "T1" {
		t.Errorf("amended: %+v", b)
	}
	inner, err := events.DecodeBody("fluid.removed", 1, b.Body)
	if err != nil || inner.(*events.FluidRemoved).Volume != 21 {
		t.Errorf("the new body: %+v, %v", inner, err)
	}
	if r.at(t, 5).Visit != first.Visit || r.at(t, 6).Visit != body[*events.RecordAmended](t, r, 4).Visit || r.at(t, 6).Visit == first.Visit {
		t.Error("labels were not bound")
	}

	for line, want := range map[string]string{
		amend(id, `"by":"T9"`, "site", "s9"):                                       `line 1: site: "s9": a correction carries what stands in the record it names, here s1; to change it, give it inside body`,
		amend(id, `"by":"T9"`, "machine", "m9"):                                    `line 1: machine: "m9": `,
		amend(id, `"by":"T9"`, "visit", counterID(4).String()):                     `line 1: visit: "` + counterID(4).String() + `": `,
		strings.Replace(withdraw(id), `"kind"`, `"site":"s9","kind"`, 1):           `line 1: site: "s9": a correction carries what stands in the record it names, here s1; leave it out`,
		amend(id, `"body":{"from":"bath"}`):                                        "line 1: body.body.to: must be given",
		amend(id, `"body":{"from":"bath","to":"p","what":"sludge","volume":-1}`):   "line 1: body.body.volume: -1: out of range",
		amend(id, `"body":{"from":"bath","to":"bath","what":"sludge","volume":1}`): "line 1: body.body.to: ",
		amend(id, `"body":{"from":"bath","to":"p","what":"x","volume":1}`):         `line 1: body.body.what: "x": `,
		amend(id, `"body":{"vol":1}`):                                              "line 1: body.body.vol: 1: no such field; there are from, ",
		amend(id, `"body":{"from":null}`):                                          "line 1: body.body.from: null: ",
		amend(id, `"body":[]`):                                                     "line 1: body.body: […]: ",
		amend(id, `"body":""`):                                                     "line 1: body.body: at least one of body, site",
		amend(id, `"done":"2026-03-02"`):                                           `line 1: body.done: `,
		amend(r.at(t, 2).ID.String(), `"by":"T9"`):                                 `line 1: body.target: record.amended: it names a correction`,
		sprint("kind", "record.admitted", "body", `{"target":"`+id+`"}`):           `line 1: kind: "record.admitted": it is the office's`,
	} {
		if bad := r.refuse(t, line); !strings.HasPrefix(bad.Error(), want) {
			t.Errorf("got  %v\nwant %s", bad, want)
		}
	}
	// A label that stands for another visit already.
	if bad := r.refuse(t, note("x", "visit", "v9"), amend(id, `"by":"T9"`, "visit", "v9")); bad.Field != "visit" {
		t.Errorf("got %v", bad)
	}
	bare := r.record(t, note("no visit"))[0].ID.String()
	for _, visit := range []string{"v9", first.Visit.String()} {
		if bad := r.refuse(t, amend(bare, `"by":"T9"`, "visit", visit)); !strings.Contains(bad.Error(), "here none") {
			t.Errorf("got %v", bad)
		}
	}
}

// over lists the newest corrections that are held: those that no other one is over.
func TestOver(t *testing.T) {
	r := newRig("office-1", true)
	id := r.record(t, removed)[0].ID.String()
	hash := func(seq events.Seq) events.Hash { return events.HashRecord(r.journal.records[seq-1]) }
	over := func(seq events.Seq) []events.Hash {
		raw := r.at(t, seq)
		return overOf(raw.Body)
	}
	check := func(seq events.Seq, want ...events.Hash) {
		t.Helper()
		slices.SortFunc(want, func(a, b events.Hash) int { return bytes.Compare(a[:], b[:]) })
		if got := over(seq); !reflect.DeepEqual(got, want) {
			t.Errorf("record %d is over %v, want %v", seq, got, want)
		}
		b, err := events.DecodeBody(r.at(t, seq).Kind, 1, r.at(t, seq).Body)
		if err != nil {
			t.Errorf("record %d: %v", seq, err)
		}
		if a, ok := b.(*events.RecordAmended); ok && !reflect.DeepEqual(a.Over, want) {
			t.Errorf("record %d decodes to over %v, want %v", seq, a.Over, want)
		}
	}
	r.record(t, amend(id, `"by":"T1"`))                                             // 2
	r.record(t, amend(id, `"by":"T2"`), note("between"), amend(id, `"visit":"v1"`)) // 3, 5
	check(2)
	check(3, hash(2))
	check(5, hash(3))
	// Another device has corrected apart, over 2: two heads, which one of the office's settles.
	apart := foreign(t, "tab-9", 4, amendedBody(t, r.journal.target(1), hash(2)))
	r.journal.pulled = append(r.journal.pulled, apart)
	r.record(t, amend(id, `"by":"T3"`), withdraw(id)) // 6, 7
	check(6, hash(5), events.HashRecord(apart))
	check(7, hash(6))
	// Of a correction of this call, and of a correction.
	old := counterID(77)
	a := r.record(t, sprint("kind", "note.written", "body", `{"text":"new"}`, "record", `{"id":"`+old.String()+`"}`), // 8
		amend(old.String(), `"by":"T4"`), amend(old.String(), `"body":{"text":"newer"}`), withdraw(r.at(t, 7).ID.String())) // 9, 10, 11
	check(9)
	check(10, hash(9))
	check(11)
	for seq := events.Seq(9); seq <= 10; seq++ {
		if b := body[*events.RecordAmended](t, r, seq); b.Target != r.journal.target(8) {
			t.Errorf("record %d names %+v, want %+v", seq, b.Target, r.journal.target(8))
		}
	}
	r.record(t, withdraw(a[2].ID.String()), withdraw(a[0].ID.String())) // 12, 13
	check(12)
	check(13, hash(10))
}

// foreign is a record of another device.
func foreign(t *testing.T, device events.DeviceID, seq events.Seq, b events.Body) []byte {
	t.Helper()
	packed, err := events.EncodeBody(b)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := events.EncodeRecord(&events.Record{ID: counterID(int(seq) + 1000*len(device)), Device: device, Seq: seq, Clock: 1, Done: noon,
		Site: "s7", Machine: "m7", Visit: counterID(500), Kind: b.Kind(), V: 1, Body: packed})
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func amendedBody(t *testing.T, target events.Target, over ...events.Hash) *events.RecordAmended {
	t.Helper()
	return &events.RecordAmended{Target: target, By: "T8", Why: events.Text{Plain: "apart"}, Over: over}
}

// A device may correct what another wrote; it waits for the office. The office may correct anything.
func TestCorrectionOfAnother(t *testing.T) {
	theirs := foreign(t, "tab-9", 3, &events.NoteWritten{Text: events.Text{Plain: "theirs"}})
	rec, _ := events.DecodeRecord(theirs)
	target := events.Target{Device: "tab-9", Seq: 3, Hash: events.HashRecord(theirs)}
	line := amend(rec.ID.String(), `"body":{"text":"ours"}`)
	for _, office := range []bool{false, true} {
		r := newRig("tab-1", office)
		r.journal.pulled = [][]byte{theirs}
		a := r.record(t, line, withdraw(rec.ID.String()))
		for _, a := range a {
			if a.Held == office || (a.Warning == "waits for the office") == office || a.Visit != rec.Visit {
				t.Errorf("office %v: %+v", office, a)
			}
		}
		if b := body[*events.RecordAmended](t, r, 1); b.Target != target || r.at(t, 1).Site != "s7" || r.at(t, 1).Machine != "m7" {
			t.Errorf("amended %+v in %+v", b, r.at(t, 1))
		}
	}
	// By what names it, where it is not held: then the line's envelope has to do.
	r := newRig("tab-1", false)
	long := FormatTarget(target)
	if back, err := ParseTarget(long); err != nil || back != target {
		t.Errorf("%s reads back to %+v, %v", long, back, err)
	}
	a := r.record(t, amend(long, `"by":"T1"`, "site", "s7", "visit", rec.Visit.String()))
	if b := body[*events.RecordAmended](t, r, 1); b.Target != target || !a[0].Held || r.at(t, 1).Site != "s7" || a[0].Visit != rec.Visit {
		t.Errorf("amended %+v, answer %+v", b, a[0])
	}
	keyed := strings.Replace(line, `"kind"`, `"key":"k","kind"`, 1)
	r = newRig("tab-1", false)
	r.journal.pulled = [][]byte{theirs}
	if a := r.record(t, keyed, keyed); !a[0].Held || !a[1].Held || !a[1].Again {
		t.Errorf("again: %+v", a)
	}
	if a := r.record(t, keyed); !a[0].Held || !a[0].Again {
		t.Errorf("again later: %+v", a)
	}
	// A device's own register entries are the office's kinds, but a correction of one is a correction.
	office := newRig("office-1", true)
	office.record(t, `{"kind":"site.entered","site":"s1","body":{"customer":"C"}}`)
	r = newRig("tab-1", false)
	r.journal.pulled = office.journal.records
	if a := r.record(t, amend(office.at(t, 1).ID.String(), `"body":{"customer":"D"}`)); !a[0].Held {
		t.Errorf("a correction of the register: %+v", a)
	}
}

// What the target's kind is must be known to read its new body.
func TestCorrectionOfUnknownKind(t *testing.T) {
	raw, err := events.EncodeRecord(&events.Record{ID: counterID(1), Device: "tab-9", Seq: 1, Clock: 1, Done: noon, Kind: "moon.seen", V: 3, Body: []byte{0x80}})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig("tab-1", false)
	r.journal.pulled = [][]byte{raw}
	bad := r.refuse(t, amend(counterID(1).String(), `"body":{"text":"x"}`))
	if bad.Field != "body.body" || !strings.Contains(bad.Want, "moon.seen in version 3") {
		t.Errorf("got %v", bad)
	}
	r.record(t, amend(counterID(1).String(), `"by":"T1"`))
}
