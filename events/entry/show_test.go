package entry

import (
	"encoding/base64"
	"errors"
	"strconv"
	"strings"
	"testing"

	"ullage/events"
)

// A line, and what Line makes of the record.
func TestLineForm(t *testing.T) {
	r := newRig("tab-1", false)
	visit := counterID(8).String()
	r.record(t, `{ "done":"2026-03-02T09:05:00.5+01:00","by":"T2","key":"k <&> é","body":{"value":180.0,"quantity":"volume","u":1e-7,"state":{"drained_min":1e21,"pump":"on"},"why":"ü/\"\n"},"machine":"m1","site":"s1","visit":"`+visit+`","kind":"reading.taken"}`)
	rec := r.at(t, 1)
	got, err := Line(&rec, r)
	want := `{"kind":"reading.taken","done":"2026-03-02T09:05:00.500+01:00","site":"s1","machine":"m1","visit":"` + visit + `","by":"T2","key":"k <&> é",` +
		`"body":{"quantity":"volume","state":{"drained_min":1e+21,"pump":"on"},"u":1e-7,"value":180,"why":"ü/\"\n"},` +
		`"record":{"id":"` + rec.ID.String() + `","device":"tab-1","seq":1,"clock":` + strconv.FormatUint(uint64(rec.Clock), 10) + `,"v":1}}`
	if err != nil || string(got) != want {
		t.Errorf("%v\n got %s\nwant %s", err, got, want)
	}
	r.record(t, `{"kind":"work.started"}`)
	rec = r.at(t, 2)
	got, err = Line(&rec, r)
	if want := `{"kind":"work.started","done":"2026-03-02T13:00:00+01:00","body":{},"record":{"id":"`; err != nil || !strings.HasPrefix(string(got), want) {
		t.Errorf("%v\n got %s\nwant %s", err, got, want)
	}
}

// Digests and targets are resolved where the reader holds them.
func TestBodyJSON(t *testing.T) {
	r := newRig("office-1", true)
	unknown := "evidence:" + strings.Repeat("0f", 32)
	far := "tab-9/18446744073709551615/" + strings.Repeat("1", 64)
	root := strings.Repeat("ab", 32)
	a := r.record(t, note(long), note(unknown), `{"kind":"request.noted","body":{"what":"x"}}`)
	r.record(t, sprint("kind", "visit.opened", "body", `{"answers":"`+a[2].ID.String()+`"}`), sprint("kind", "visit.opened", "body", `{"answers":"`+far+`"}`),
		sprint("kind", "checkpoint.seen", "body", `{"origin":"o","size":0,"root":"`+root+`"}`),
		amend(a[0].ID.String(), `"body":{"text":"`+long+`!"},"visit":"`+counterID(5).String()+`"`), withdraw(a[0].ID.String()),
		`{"kind":"device.enrolled","body":{"device":"t","keys":[{"use":"sealing","key":"`+base64.StdEncoding.EncodeToString(make([]byte, 32))+`"}]}}`)
	h := events.HashRecord(r.journal.records[6]).String()
	named := func(n int) string {
		return events.Digest(body[*events.NoteWritten](t, r, events.Seq(n)).Text.Digest).String()
	}
	inner := body[*events.RecordAmended](t, r, 7).Body
	for i, tt := range []struct{ held, bare string }{
		{`{"text":"` + long + `"}`, `{"text":"evidence:` + named(1) + `"}`},
		{`{"text":"` + unknown + `"}`, `{"text":"` + unknown + `"}`},
		{`{"what":"x"}`, `{"what":"x"}`},
		{`{"answers":"` + a[2].ID.String() + `"}`, `{"answers":"` + FormatTarget(r.journal.target(3)) + `"}`},
		{`{"answers":"` + far + `"}`, `{"answers":"` + far + `"}`},
		{`{"origin":"o","root":"` + root + `","size":0}`, `{"origin":"o","root":"` + root + `","size":0}`},
		{`{"body":{"text":"` + long + `!"},"target":"` + a[0].ID.String() + `","visit":"` + counterID(5).String() + `","why":"misread"}`,
			`{"body":{"raw":"` + base64.StdEncoding.EncodeToString(inner) + `"},"target":"` + FormatTarget(r.journal.target(1)) + `","visit":"` + counterID(5).String() + `","why":"misread"}`},
		{`{"over":["` + h + `"],"target":"` + a[0].ID.String() + `","why":"never was"}`, `{"over":["` + h + `"],"target":"` + FormatTarget(r.journal.target(1)) + `","why":"never was"}`},
		{`{"device":"t","keys":[{"key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=","use":"sealing"}]}`, `{"device":"t","keys":[{"key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=","use":"sealing"}]}`},
	} {
		rec := r.at(t, events.Seq(i+1))
		for _, s := range []struct {
			show Shower
			want string
		}{{r, tt.held}, {Bare{}, tt.bare}} {
			got, err := BodyJSON(&rec, s.show)
			if err != nil || string(got) != s.want {
				t.Errorf("record %d, %T: %v\n got %s\nwant %s", i+1, s.show, err, got, s.want)
			}
		}
	}
	// A line leaves out what is filled in when it is recorded.
	rec := r.at(t, 8)
	if line, err := Line(&rec, r); err != nil || strings.Contains(string(line), "over") {
		t.Errorf("%s, %v", line, err)
	}
}

// What cannot be shown as a text is shown by its digest.
func TestDigestOfNoText(t *testing.T) {
	r := newRig("tab-1", false)
	for _, plain := range []string{"\xff\xd8\xff\xe0", "", strings.Repeat("x", MaxPlain+1), "evidence:" + strings.Repeat("7", 64)} {
		d, err := r.pieces.Keep([]byte(plain))
		if err != nil {
			t.Fatal(err)
		}
		r.record(t, note("evidence:"+d.String()))
		rec := r.at(t, r.journal.head.Seq)
		got, err := BodyJSON(&rec, r)
		if want := `{"text":"evidence:` + d.String() + `"}`; err != nil || string(got) != want {
			t.Errorf("%.20q: %v\n got %s\nwant %s", plain, err, got, want)
		}
	}
}

func TestUnreadableBody(t *testing.T) {
	for _, tt := range []struct {
		rec  events.Record
		want string
	}{
		{events.Record{Kind: "moon.seen", V: 1, Body: []byte{0x80}}, `{"raw":"gA=="}`},
		{events.Record{Kind: "note.written", V: 9, Body: []byte{0x80}}, `{"raw":"gA=="}`},
		{events.Record{Kind: "note.written", V: 1, Body: []byte("\x81\xa4text\x07")}, `{"raw":"gaR0ZXh0Bw=="}`},
		{events.Record{Kind: "note.written", V: 1}, `{"raw":""}`},
	} {
		got, err := BodyJSON(&tt.rec, Bare{})
		if err != nil || string(got) != tt.want {
			t.Errorf("%+v: got %s, %v, want %s", tt.rec, got, err, tt.want)
		}
	}
}

// Texts that together are too long for a line stay digests.
func TestLongestLine(t *testing.T) {
	r := newRig("office-1", true)
	text := strings.Repeat(`\u0001`, MaxPlain) // six times as long in JSON
	one := func(name string) {
		if _, err := r.Record(strings.NewReader(`{"kind":"site.entered","body":{"` + name + `":"` + text + `"}}`)); err != nil {
			t.Fatal(err)
		}
	}
	one("name")
	one("access")
	one("induction")
	a, b, c := body[*events.SiteEntered](t, r, 1), body[*events.SiteEntered](t, r, 2), body[*events.SiteEntered](t, r, 3)
	packed, err := events.EncodeBody(&events.SiteEntered{Name: a.Name, Access: b.Access, Induction: c.Induction})
	if err != nil {
		t.Fatal(err)
	}
	line, err := Line(&events.Record{Kind: "site.entered", V: 1, Body: packed}, r)
	if err != nil || len(line) > MaxLine || !strings.Contains(string(line), "evidence:"+a.Name.String()) {
		t.Errorf("%d bytes, %v", len(line), err)
	}
	rec := r.at(t, 1)
	if line, err := Line(&rec, r); err != nil || !strings.Contains(string(line), text) {
		t.Errorf("%d bytes, %v", len(line), err)
	}
}

// broken is a Shower that fails.
type broken struct{ rig *rig }

var errBroken = errors.New("broken")

func (b broken) Text(events.Digest) ([]byte, bool, error) { return nil, false, errBroken }

func (b broken) ID(t events.Target) (Named, bool, error) {
	if b.rig != nil {
		return b.rig.ID(t)
	}
	return Named{}, false, errBroken
}

func TestShowerFails(t *testing.T) {
	r := newRig("office-1", true)
	a := r.record(t, note(long))
	r.record(t, withdraw(a[0].ID.String()), amend(a[0].ID.String(), `"body":{"text":"x"}`), amend(a[0].ID.String(), `"body":{"text":"`+long+`"}`),
		sprint("kind", "erasure.done", "body", `{"evidence":["x"],"ground":"asked for"}`))
	for seq, show := range map[events.Seq]Shower{1: broken{}, 2: broken{}, 3: broken{}, 4: broken{r}, 5: broken{}} {
		rec := r.at(t, seq)
		if _, err := BodyJSON(&rec, show); !errors.Is(err, errBroken) {
			t.Errorf("record %d: %v", seq, err)
		}
		if _, err := Line(&rec, show); !errors.Is(err, errBroken) {
			t.Errorf("record %d: %v", seq, err)
		}
	}
}
