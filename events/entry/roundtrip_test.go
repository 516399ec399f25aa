package entry

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ullage/events"
)

// Whatever record of whatever kind: exported as a line, and read back by another writer, it is the same content.
func TestRoundTrip(t *testing.T) {
	for _, s := range events.Schemas() {
		t.Run(string(s.Kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				a, b := newRig("tab-1", true), newRig("tab-2", true)
				m := &maker{t: t, r: a}
				base := rapid.SampledFrom(events.Schemas()).Filter(func(s *events.Schema) bool { return !isCorrection(s) }).Draw(t, "base")
				m.targets = []events.Target{{Device: "far-1", Seq: 1, Hash: events.Hash{1}}}
				if base.Kind == "visit.opened" || base.Kind == "bill.sent" {
					base, _ = events.SchemaOf("note.written", 1) // a first record has none that it could name
				}
				m.write(base)
				m.targets = []events.Target{a.journal.target(1)}
				m.write(s)
				importInto(t, b, exportOf(t, a))
				compare(t, a, b)
			})
		})
	}
}

// write puts a random record of a kind into the journal of the rig.
func (m *maker) write(s *events.Schema) {
	code := rapid.OneOf(rapid.Just(""), codes)
	r := events.Record{
		ID: events.RecordID(bytesN(m.t, 16)), Device: m.r.Device, Seq: m.r.journal.head.Seq + 1, Clock: m.r.journal.head.Clock + 1,
		Done: events.Millis(rapid.Int64Range(int64(events.MinMillis)+1e9, int64(events.MaxMillis)-1e9).Draw(m.t, "done")),
		Zone: rapid.IntRange(-events.MaxZone, events.MaxZone).Draw(m.t, "zone"),
		Site: events.SiteID(code.Draw(m.t, "site")), Machine: events.MachineID(code.Draw(m.t, "machine")), By: events.StaffCode(code.Draw(m.t, "by")),
		Kind: s.Kind, V: s.V, Body: m.body(s),
	}
	r.ID[6], r.ID[8] = 0x70|r.ID[6]&0x0f, 0x80|r.ID[8]&0x3f
	if rapid.Bool().Draw(m.t, "in a visit") {
		r.Visit = events.RecordID(bytesN(m.t, 16))
	}
	if rapid.Bool().Draw(m.t, "with a key") {
		r.Key = rapid.StringN(1, -1, events.MaxKey).Draw(m.t, "key") + string(rune('a'+r.Seq))
		for len(r.Key) > events.MaxKey {
			r.Key = r.Key[1:]
		}
		r.Key = strings.ToValidUTF8(r.Key, "")
	}
	if of, ok, err := events.CorrectionOf(&r); err != nil {
		m.t.Fatal(err)
	} else if ok && of.Device == m.r.Device {
		original, err := events.DecodeRecord(m.r.journal.records[of.Seq-1])
		if err != nil {
			m.t.Fatal(err)
		}
		r.Site, r.Machine, r.Visit = original.Site, original.Machine, original.Visit
	}
	raw, err := events.EncodeRecord(&r)
	if errors.Is(err, events.ErrTooLarge) {
		m.t.Skip("a body of many texts")
	}
	if err != nil {
		m.t.Fatal(err)
	}
	if _, err := m.r.journal.Append(func(events.Head) (Batch, error) { return Batch{Records: [][]byte{raw}}, nil }); err != nil {
		m.t.Fatal(err)
	}
}

// fataler is a *testing.T or a *rapid.T.
type fataler interface {
	Fatalf(format string, args ...any)
	Errorf(format string, args ...any)
}

func exportOf(t fataler, r *rig) []byte {
	var out bytes.Buffer
	for _, raw := range r.journal.records {
		rec, err := events.DecodeRecord(raw)
		if err != nil {
			t.Fatalf("%v", err)
		}
		line, err := Line(&rec, r)
		if err != nil || !json.Valid(line) || bytes.ContainsRune(line, '\n') {
			t.Fatalf("Line: %v, %s", err, line)
		}
		out.Write(append(line, '\n'))
	}
	return out.Bytes()
}

func importInto(t fataler, r *rig, lines []byte) {
	answers, err := r.Record(bytes.NewReader(lines))
	if err != nil {
		t.Fatalf("read back: %v\nof %.4000s", err, lines)
	}
	for _, a := range answers {
		if a.Again {
			t.Fatalf("%+v is no repeat\nof %.4000s", a, lines)
		}
	}
}

// compare holds the journals of two rigs to the same content, texts and targets resolved.
func compare(t fataler, a, b *rig) {
	if len(a.journal.records) != len(b.journal.records) {
		t.Fatalf("%d records read back to %d", len(a.journal.records), len(b.journal.records))
	}
	for i := range a.journal.records {
		x, err := events.DecodeRecord(a.journal.records[i])
		if err != nil {
			t.Fatalf("%v", err)
		}
		y, err := events.DecodeRecord(b.journal.records[i])
		if err != nil {
			t.Fatalf("%v", err)
		}
		bodyX, err := events.DecodeBody(x.Kind, x.V, x.Body)
		if err != nil {
			t.Fatalf("%v", err)
		}
		bodyY, err := events.DecodeBody(y.Kind, y.V, y.Body)
		if err != nil {
			t.Fatalf("%v", err)
		}
		if diff := cmp.Diff(bodyX, bodyY, content(t, a, b)...); diff != "" {
			t.Errorf("record %d, %s: the body differs\n%s", i+1, x.Kind, diff)
		}
		x.ID, x.Device, x.Seq, x.Clock, x.Body = y.ID, y.Device, y.Seq, y.Clock, y.Body
		if diff := cmp.Diff(x, y); diff != "" {
			t.Errorf("record %d, %s: the envelope differs\n%s", i+1, x.Kind, diff)
		}
	}
}

// content are the rules by which bodies of a and b are the same content: digests where they stand for one text,
// targets where they name the records of one line.
func content(t fataler, a, b *rig) []cmp.Option {
	text := func(d events.Digest) (string, bool) {
		for _, r := range []*rig{a, b} {
			if plain, ok, _ := r.pieces.Text(d); ok {
				return string(plain), true
			}
		}
		return "", false
	}
	sameDigest := func(d, e events.Digest) bool {
		x, okX := text(d)
		y, okY := text(e)
		return d == e || okX && okY && x == y
	}
	line := func(target events.Target) (events.Target, *events.Record) {
		for _, r := range []*rig{a, b} {
			if target.Device == r.Device && int(target.Seq) <= len(r.journal.records) && target == r.journal.target(target.Seq) {
				rec, err := events.DecodeRecord(r.journal.records[target.Seq-1])
				if err != nil {
					t.Fatalf("%v", err)
				}
				return events.Target{Seq: target.Seq}, &rec
			}
		}
		return target, nil
	}
	options := []cmp.Option{
		cmp.Comparer(sameDigest),
		cmp.Comparer(func(x, y events.Target) bool {
			atX, _ := line(x)
			atY, _ := line(y)
			return atX == atY
		}),
		cmp.Comparer(func(x, y events.Text) bool {
			if x.Plain == "" {
				x.Plain, _ = text(x.Digest)
			}
			if y.Plain == "" {
				y.Plain, _ = text(y.Digest)
			}
			return x.Plain == y.Plain && (x.Plain != "" || x.Digest == y.Digest)
		}),
	}
	return append(options, cmp.Transformer("amended", func(x events.RecordAmended) any {
		x.Over = nil
		if len(x.Body) == 0 {
			return struct{ Rest any }{amendedRest(x)}
		}
		_, rec := line(x.Target)
		inner, err := events.DecodeBody(rec.Kind, rec.V, x.Body)
		if err != nil {
			t.Fatalf("%v", err)
		}
		return struct{ Rest, Body any }{amendedRest(x), inner}
	}), cmp.Transformer("withdrawn", func(x events.RecordWithdrawn) any {
		return struct {
			Target events.Target
			Why    events.Text
		}{x.Target, x.Why}
	}))
}

// rest is an amendment but for the new body and what it is over.
type rest struct {
	Target  events.Target
	Site    events.SiteID
	Machine events.MachineID
	Visit   events.RecordID
	By      events.StaffCode
	Done    events.When
	Why     events.Text
}

func amendedRest(x events.RecordAmended) rest {
	return rest{x.Target, x.Site, x.Machine, x.Visit, x.By, x.Done, x.Why}
}
