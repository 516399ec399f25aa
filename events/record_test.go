package events_test

import (
	"crypto/ed25519"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/pack"
)

func drawRecord(t *rapid.T) events.Record {
	maybe := func(name string) string {
		if rapid.Bool().Draw(t, name+" given") {
			return drawnCode.Draw(t, name)
		}
		return ""
	}
	r := events.Record{
		ID:      events.NewRecordID(events.Millis(rapid.Int64Range(0, 1<<48-1).Draw(t, "made")), [10]byte(rapid.SliceOfN(rapid.Byte(), 10, 10).Draw(t, "random"))),
		Device:  events.DeviceID(drawnCode.Draw(t, "device")),
		Seq:     events.Seq(rapid.Uint64Min(1).Draw(t, "seq")),
		Clock:   events.Clock(rapid.Uint64().Draw(t, "clock")),
		Done:    events.Millis(rapid.Int64Range(int64(events.MinMillis), int64(events.MaxMillis)).Draw(t, "done")),
		Zone:    rapid.IntRange(-events.MaxZone, events.MaxZone).Draw(t, "zone"),
		Site:    events.SiteID(maybe("site")),
		Machine: events.MachineID(maybe("machine")),
		By:      events.StaffCode(maybe("by")),
		Key:     rapid.StringN(0, -1, events.MaxKey).Draw(t, "key"),
		Kind:    events.Kind(rapid.StringMatching(`[a-z-]{1,31}\.[a-z-]{1,32}`).Draw(t, "kind")),
		V:       rapid.IntRange(1, 1<<16).Draw(t, "v"),
		Body:    pack.AppendUint(pack.AppendString(pack.AppendMap(nil, 1), "x"), rapid.Uint64().Draw(t, "x")),
	}
	if rapid.Bool().Draw(t, "visit given") {
		r.Visit = events.RecordID(rapid.SliceOfN(rapid.ByteMin(1), 16, 16).Draw(t, "visit"))
	}
	return r
}

// TestRecordRoundTrip: what is encoded decodes to the same, and the second reader sees the same.
func TestRecordRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRecord(t)
		b, err := events.EncodeRecord(&r)
		if err != nil {
			t.Fatal(err)
		}
		again, err := events.DecodeRecord(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(r, again); d != "" {
			t.Fatalf("decodes to something else (- written, + read):\n%s", d)
		}
		second, err := readRecord(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(plainEnvelope(&r), second.fields, compareWhole); d != "" {
			t.Fatalf("the second reader sees something else (- written, + read):\n%s", d)
		}
	})
}

// sample is a record that encodes.
func sample() events.Record {
	return events.Record{ID: visitID(1), Device: "tab-1", Seq: 1, Kind: "tea.drunk", V: 1, Body: []byte{0x80}}
}

// TestEncodeRecordRefuses holds the writer to the same limits as the reader.
func TestEncodeRecordRefuses(t *testing.T) {
	good := sample()
	if _, err := events.EncodeRecord(&good); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		change func(*events.Record)
		want   error
		says   string
	}{
		{func(r *events.Record) { r.ID = events.RecordID{} }, events.ErrForm, "id"},
		{func(r *events.Record) { r.Device = "" }, events.ErrIdentifier, "device"},
		{func(r *events.Record) { r.Device = "a.b" }, events.ErrIdentifier, "device"},
		{func(r *events.Record) { r.Seq = 0 }, events.ErrForm, "seq"},
		{func(r *events.Record) { r.Done = events.MaxMillis + 1 }, events.ErrForm, "done"},
		{func(r *events.Record) { r.Done = events.MinMillis - 1 }, events.ErrForm, "done"},
		{func(r *events.Record) { r.Zone = events.MaxZone + 1 }, events.ErrForm, "zone"},
		{func(r *events.Record) { r.Zone = -events.MaxZone - 1 }, events.ErrForm, "zone"},
		{func(r *events.Record) { r.Site = "_" }, events.ErrIdentifier, "site"},
		{func(r *events.Record) { r.Machine = "ä" }, events.ErrIdentifier, "machine"},
		{func(r *events.Record) { r.By = events.StaffCode(strings.Repeat("b", 65)) }, events.ErrIdentifier, "by"},
		{func(r *events.Record) { r.Key = strings.Repeat("k", 65) }, events.ErrForm, "key"},
		{func(r *events.Record) { r.Key = "\xff" }, events.ErrForm, "key"},
		{func(r *events.Record) { r.Kind = "tea" }, events.ErrForm, "kind"},
		{func(r *events.Record) { r.V = 0 }, events.ErrForm, "v"},
		{func(r *events.Record) { r.V = 1<<16 + 1 }, events.ErrForm, "v"},
		{func(r *events.Record) { r.Body = nil }, events.ErrForm, "body"},
		{func(r *events.Record) { r.Body = []byte{0x90} }, events.ErrForm, "body"},
		{func(r *events.Record) { r.Body = []byte{0x80, 0x80} }, events.ErrForm, "body"},
		{func(r *events.Record) { r.Body = []byte{0x81, 0xa1, 'x', 0xc0} }, pack.ErrForm, "body"},
		{func(r *events.Record) { r.Body = bodyOf(events.MaxRecord) }, events.ErrTooLarge, "64 KiB"},
		{func(r *events.Record) { r.Body = bodyOf(1 << 20) }, events.ErrTooLarge, "64 KiB"},
	} {
		r := sample()
		c.change(&r)
		b, err := events.EncodeRecord(&r)
		if b != nil || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("got %d bytes, %v, want %v with %q", len(b), err, c.want, c.says)
		}
	}
}

// bodyOf is a body of about n bytes.
func bodyOf(n int) []byte {
	return pack.AppendBin(pack.AppendString(pack.AppendMap(nil, 1), "x"), make([]byte, n))
}

// TestLargestRecord: 64 KiB are a record, one byte more is none.
func TestLargestRecord(t *testing.T) {
	r := sample()
	r.Body = bodyOf(60000)
	b, err := events.EncodeRecord(&r)
	if err != nil {
		t.Fatal(err)
	}
	for more, want := range map[int]error{0: nil, 1: events.ErrTooLarge} {
		r.Body = bodyOf(60000 + events.MaxRecord - len(b) + more)
		largest, err := events.EncodeRecord(&r)
		if !errors.Is(err, want) {
			t.Fatalf("%d more: got %v, want %v", more, err, want)
		}
		if err != nil {
			continue
		}
		if len(largest) != events.MaxRecord {
			t.Fatalf("got %d bytes", len(largest))
		}
		if _, err := events.DecodeRecord(largest); err != nil {
			t.Error(err)
		}
	}
}

// TestRecordOwnsItsText: a decoded record shares no memory with its bytes but for Body.
func TestRecordOwnsItsText(t *testing.T) {
	for _, g := range goldens(t) {
		r, err := events.DecodeRecord(g.bytes)
		if err != nil {
			t.Fatal(err)
		}
		want := r
		want.Body = append([]byte(nil), r.Body...)
		want.Device, want.Key, want.Kind = events.DeviceID(strings.Clone(string(r.Device))), strings.Clone(r.Key), events.Kind(strings.Clone(string(r.Kind)))
		clear(g.bytes)
		r.Body = want.Body
		if !reflect.DeepEqual(r, want) {
			t.Errorf("%s changes with its bytes", g.name)
		}
	}
}

func TestKindValid(t *testing.T) {
	for kind, want := range map[events.Kind]bool{
		"tea.drunk": true, "staff.signed-on": true, "a.b": true, "": false, ".": false, "tea": false, "tea.": false, ".drunk": false, "tea.was.drunk": false, "Tea.drunk": false, "tea.drunk2": false,
		"tea.dr unk": false, "tee.gefüllt": false, events.Kind(strings.Repeat("a", 62) + ".b"): true, events.Kind(strings.Repeat("a", 63) + ".b"): false,
	} {
		if got := kind.Valid(); got != want {
			t.Errorf("%q: got %v, want %v", kind, got, want)
		}
	}
}

func TestMillis(t *testing.T) {
	for _, c := range []struct {
		at   events.Millis
		zone int
		want string
	}{
		{0, 0, "1970-01-01T00:00:00Z"},
		{1772438700000, 60, "2026-03-02T09:05:00+01:00"},
		{1772438700040, -210, "2026-03-02T04:35:00.040-03:30"},
		{-1, 0, "1969-12-31T23:59:59.999Z"},
		{events.MinMillis, 0, "0001-01-01T00:00:00Z"},
		{events.MaxMillis, 0, "9999-12-31T23:59:59.999Z"},
	} {
		got := c.at.Format(c.zone)
		if got != c.want {
			t.Errorf("%d: got %s, want %s", c.at, got, c.want)
		}
		at, err := time.Parse(time.RFC3339Nano, got)
		if err != nil || events.MillisOf(at) != c.at {
			t.Errorf("%s: reads as %v, %v", got, events.MillisOf(at), err)
		}
	}
}

func TestParseHash(t *testing.T) {
	want := sum("x")
	if got, err := events.ParseHash(want.String()); err != nil || got != want {
		t.Errorf("got %s, %v, want %s", got, err, want)
	}
	for _, s := range []string{"", want.String()[:63], want.String() + "0", strings.ToUpper(want.String()), strings.Repeat("g", 64)} {
		if got, err := events.ParseHash(s); err == nil || !got.IsZero() {
			t.Errorf("%q: got %s, %v, want an error", s, got, err)
		}
	}
}

func TestParseDeviceID(t *testing.T) {
	for _, s := range []string{"a", "-", "__", "tab-1", strings.Repeat("x", 64)} {
		if d, err := events.ParseDeviceID(s); err != nil || d.String() != s {
			t.Errorf("%q: got %q, %v", s, d, err)
		}
	}
	for _, s := range []string{"", "_", "a.b", "a b", "a*", ">", "ä", "a\n", strings.Repeat("x", 65)} {
		if _, err := events.ParseDeviceID(s); !errors.Is(err, events.ErrIdentifier) {
			t.Errorf("%q: got %v, want ErrIdentifier", s, err)
		}
	}
}

// TestSeal: a seal holds for exactly what it was made over.
func TestSeal(t *testing.T) {
	key := rfc8032Key()
	public := key.Public().(ed25519.PublicKey)
	link := sum("link")
	good := events.SignSeal(key, "tab-1", 7, link, "seen")
	if err := events.VerifySeal(public, "tab-1", link, good); err != nil {
		t.Fatal(err)
	}
	other := ed25519.NewKeyFromSeed(make([]byte, 32)).Public().(ed25519.PublicKey)
	for what, err := range map[string]error{
		"another device":   events.VerifySeal(public, "tab-2", link, good),
		"another link":     events.VerifySeal(public, "tab-1", sum("other"), good),
		"another seq":      events.VerifySeal(public, "tab-1", link, events.Seal{Seq: 8, Seen: good.Seen, Signature: good.Signature}),
		"another seen":     events.VerifySeal(public, "tab-1", link, events.Seal{Seq: 7, Seen: "seeN", Signature: good.Signature}),
		"another key":      events.VerifySeal(other, "tab-1", link, good),
		"no key":           events.VerifySeal(nil, "tab-1", link, good),
		"no signature":     events.VerifySeal(public, "tab-1", link, events.Seal{Seq: 7, Seen: "seen"}),
		"a cut signature":  events.VerifySeal(public, "tab-1", link, events.Seal{Seq: 7, Seen: "seen", Signature: good.Signature[:63]}),
		"shifted a border": events.VerifySeal(public, "tab-", link, good),
	} {
		if !errors.Is(err, events.ErrSeal) {
			t.Errorf("%s: got %v, want ErrSeal", what, err)
		}
	}
}

// TestLinksDiffer: a link changes with everything before it.
func TestLinksDiffer(t *testing.T) {
	public := rfc8032Key().Public().(ed25519.PublicKey)
	first := events.FirstLink("tab-1", public)
	seen := map[events.Hash]string{}
	for what, h := range map[string]events.Hash{
		"first": first, "first of another device": events.FirstLink("tab-2", public), "first of another key": events.FirstLink("tab-1", make([]byte, 32)),
		"a": events.Link(first, sum("a")), "b": events.Link(first, sum("b")),
		"ab": events.Link(events.Link(first, sum("a")), sum("b")), "ba": events.Link(events.Link(first, sum("b")), sum("a")),
		"record a": sum("a"), "swapped": events.Link(sum("a"), first),
	} {
		if seen[h] != "" {
			t.Errorf("%s is the same as %s", what, seen[h])
		}
		seen[h] = what
	}
}

func TestLabelled(t *testing.T) {
	got := events.Label("ullage.test.1").Text("ab").Bytes([]byte{1}).Uint(258)
	if want := "756c6c6167652e746573742e31" + "000000026162" + "0000000101" + "000000080000000000000102"; hexOf(got) != want {
		t.Errorf("got %x, want %s", got, want)
	}
}
