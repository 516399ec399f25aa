package events_test

import (
	"bytes"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/vmihailenco/msgpack/v5"
	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/pack"
)

// drawBody fills a body with whatever its types can hold, in meaning or not.
func drawBody(t *rapid.T, kind events.Body) events.Body {
	v := reflect.New(reflect.TypeOf(kind).Elem())
	drawStruct(t, v.Elem())
	return v.Interface().(events.Body)
}

func drawStruct(t *rapid.T, v reflect.Value) {
	for i := range v.NumField() {
		name, need := strings.CutSuffix(v.Type().Field(i).Tag.Get("f"), ",need")
		f := v.Field(i)
		list := f.Kind() == reflect.Slice && f.Type() != reflect.TypeFor[events.Raw]() && f.Type().Elem().Kind() != reflect.Uint8
		if !need && !rapid.Bool().Draw(t, name+" given") {
			continue
		}
		if !list {
			drawField(t, name, f)
			continue
		}
		n := rapid.IntRange(1, 20).Draw(t, name+" length")
		f.Set(reflect.MakeSlice(f.Type(), n, n))
		for j := range n {
			drawField(t, name, f.Index(j))
		}
	}
}

var (
	drawnCode = rapid.StringMatching(`[A-Za-z0-9-]|[A-Za-z0-9_-]{2,64}`)
	drawnText = rapid.StringOfN(rapid.Rune(), 1, events.MaxText, -1)
	drawnTime = rapid.Custom(func(t *rapid.T) string {
		at := events.Millis(rapid.Int64Range(int64(events.MinMillis)+24*3600*1000, int64(events.MaxMillis)-24*3600*1000).Draw(t, "ms"))
		if rapid.Bool().Draw(t, "date") {
			return at.Time().Format(time.DateOnly)
		}
		return at.Format(rapid.IntRange(-events.MaxZone, events.MaxZone).Draw(t, "zone"))
	})
	drawnHash = rapid.Custom(func(t *rapid.T) events.Hash { return sum(drawnText.Draw(t, "hashed")) })
)

func drawField(t *rapid.T, name string, f reflect.Value) {
	if f.Kind() == reflect.Pointer {
		f.Set(reflect.New(f.Type().Elem()))
		f = f.Elem()
	}
	set := func(x any) { f.Set(reflect.ValueOf(x).Convert(f.Type())) }
	switch f.Interface().(type) {
	case events.Code, events.DeviceID, events.SiteID, events.MachineID, events.StaffCode:
		set(drawnCode.Draw(t, name))
	case events.When:
		set(drawnTime.Draw(t, name))
	case string, events.Word:
		set(drawnText.Draw(t, name))
	case events.Text:
		if rapid.Bool().Draw(t, name+" long") {
			set(events.Text{Digest: drawnHash.Draw(t, name)})
		} else {
			set(events.Text{Plain: drawnText.Draw(t, name)})
		}
	case events.Hash:
		set(drawnHash.Draw(t, name))
	case events.RecordID:
		set(events.RecordID(rapid.SliceOfN(rapid.ByteMin(1), 16, 16).Draw(t, name)))
	case events.Raw:
		b := pack.AppendMap(nil, 1)
		set(pack.AppendInt(pack.AppendString(b, drawnText.Draw(t, name)), rapid.Int64().Draw(t, name)))
	case []byte:
		set(rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, name))
	case float64:
		x := rapid.Float64().Draw(t, name)
		set(x + 0) // zero has no sign
	case int64:
		set(rapid.Int64().Draw(t, name))
	case events.Seq:
		set(rapid.Uint64Min(1).Draw(t, name))
	case bool:
		set(rapid.Bool().Draw(t, name))
	default:
		drawStruct(t, f)
	}
}

// TestBodyRoundTrip fills the fields of every kind at random: what is encoded decodes to the same, the second reader
// sees the same, and a foreign MessagePack library writes the same bytes.
func TestBodyRoundTrip(t *testing.T) {
	for _, kind := range goldenBodies {
		t.Run(string(kind.Kind()), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				b := drawBody(t, kind)
				encoded, err := events.EncodeBody(b)
				if err != nil {
					t.Fatal(err)
				}
				again, err := events.DecodeBody(b.Kind(), events.Newest(b.Kind()), encoded)
				if err != nil {
					t.Fatal(err)
				}
				if d := cmp.Diff(b, again); d != "" {
					t.Fatalf("decodes to something else (- written, + read):\n%s", d)
				}
				want := plainBody(reflect.ValueOf(b))
				got, err := readValue(encoded)
				if err != nil {
					t.Fatal(err)
				}
				if d := cmp.Diff(want, got, compareWhole); d != "" {
					t.Fatalf("the second reader sees something else (- written, + read):\n%s", d)
				}
				if foreign := foreignBytes(t, want); !bytes.Equal(foreign, encoded) {
					t.Fatalf("encodes to\n%x; vmihailenco/msgpack writes\n%x", encoded, foreign)
				}
			})
		})
	}
}

// foreignBytes encodes a plain value with vmihailenco/msgpack, in its compact form with sorted keys.
func foreignBytes(t interface{ Fatal(...any) }, x any) []byte {
	var out bytes.Buffer
	e := msgpack.NewEncoder(&out)
	e.SetSortMapKeys(true)
	e.UseCompactInts(true)
	if err := e.Encode(foreignValue(x)); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// foreignValue puts Go's integers in place of whole.
func foreignValue(x any) any {
	switch x := x.(type) {
	case whole:
		if i, err := parseInt(x.n); err == nil {
			return i
		}
		u, _ := parseUint(x.n)
		return u
	case []any:
		list := make([]any, len(x))
		for i := range x {
			list[i] = foreignValue(x[i])
		}
		return list
	case map[string]any:
		m := map[string]any{}
		for k, e := range x {
			m[k] = foreignValue(e)
		}
		return m
	}
	return x
}

// TestForeignWritesGoldens encodes the values of every golden record anew with vmihailenco/msgpack.
func TestForeignWritesGoldens(t *testing.T) {
	for _, g := range goldens(t) {
		r, err := readRecord(g.bytes)
		if err != nil {
			t.Fatal(err)
		}
		r.fields[13] = foreignBytes(t, r.body)
		if got := foreignBytes(t, r.fields); !bytes.Equal(got, g.bytes) {
			t.Errorf("%s: vmihailenco/msgpack writes\n%x, want\n%x", g.name, got, g.bytes)
		}
	}
}

// TestEncodeBodyRefuses holds the writer to the form: what a body's Go type can hold but the format cannot.
func TestEncodeBodyRefuses(t *testing.T) {
	for _, c := range []struct {
		body events.Body
		path string
		want string
	}{
		{&events.TimeSpent{What: "travel", Minutes: math.NaN()}, "minutes", "finite"},
		{&events.TimeSpent{What: "travel", Minutes: math.Inf(1)}, "minutes", "finite"},
		{&events.TimeSpent{Minutes: 1}, "what", "must be given"},
		{&events.TaskDone{Task: "two words"}, "task", "character"},
		{&events.TaskDone{Task: "t", Why: plain(strings.Repeat("ä", 81))}, "why", "at most 80"},
		{&events.TaskDone{Task: "t", Why: plain("\xff")}, "", "UTF-8"},
		{&events.TaskDone{Task: "t", Started: "2026-02-30"}, "started", "not a date"},
		{&events.TaskDone{Task: "t", Started: "2026-03-02T09:05:00"}, "started", "not a time"},
		{&events.RecordWithdrawn{Target: events.Target{Device: "d", Hash: sum("x")}, Why: plain("w")}, "target.seq", "must be given"},
		{&events.RecordWithdrawn{Target: events.Target{Seq: 1, Hash: sum("x")}, Why: plain("w")}, "target.device", "must be given"},
		{&events.RecordWithdrawn{Target: events.Target{Device: "d", Seq: 1}, Why: plain("w")}, "target.hash", "must be given"},
		{&events.RecordWithdrawn{Why: plain("w")}, "target", "must be given"},
		{&events.RecordAmended{Target: target(1), Why: plain("w"), Over: make([]events.Hash, 1)}, "over[1]", "zero"},
		{&events.VesselMarked{Vessel: "p", Hazards: []string{"a", ""}}, "hazards[2]", "empty"},
		{&events.InterestGranted{Device: "d", Sites: make([]events.SiteID, 513)}, "", "at most 512"},
		{&events.SiteEntered{Refs: []events.Ref{{Name: "a", Value: "b"}, {Name: "c"}}}, "refs[2].value", "must be given"},
		{&events.DeviceEnrolled{Device: "d"}, "keys", "must be given"},
		{&events.DeviceEnrolled{Device: "d", Keys: []events.DeviceKey{{Use: "sealing"}}}, "keys[1].key", "must be given"},
	} {
		b, err := events.EncodeBody(c.body)
		if err == nil {
			t.Errorf("%+v encodes to %x, want an error at %s", c.body, b, c.path)
			continue
		}
		var f *events.FieldError
		if errors.As(err, &f) && f.Path != c.path {
			t.Errorf("%+v: got path %q, want %q (%v)", c.body, f.Path, c.path, err)
		}
		if !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), c.path) {
			t.Errorf("%+v: got %q, want something of %q at %q", c.body, err, c.want, c.path)
		}
	}
}

// TestEmptyIsLeftOut holds that a list or binary without elements counts as not given.
func TestEmptyIsLeftOut(t *testing.T) {
	a, err := events.EncodeBody(&events.RecordAmended{Target: target(1), Site: "s", Why: plain("w"), Over: []events.Hash{}, Body: events.Raw{}})
	if err != nil {
		t.Fatal(err)
	}
	b, err := events.EncodeBody(&events.RecordAmended{Target: target(1), Site: "s", Why: plain("w")})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, b) {
		t.Errorf("got %x, want %x", a, b)
	}
}

// TestZeroIsGiven holds that a zero or a false that was given is written.
func TestZeroIsGiven(t *testing.T) {
	b, err := events.EncodeBody(&events.MachineLeft{SetCel: ptr(0.0), LeakSeen: ptr(false)})
	if err != nil {
		t.Fatal(err)
	}
	want := "82" + "a96c65616b5f7365656e" + "c2" + "a77365745f63656c" + "cb0000000000000000"
	if got := hexOf(b); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestUnknownKind(t *testing.T) {
	for _, c := range []struct {
		kind events.Kind
		v    int
	}{{"tea.drunk", 1}, {"time.spent", 2}, {"time.spent", 0}} {
		if _, err := events.DecodeBody(c.kind, c.v, []byte{0x80}); !errors.Is(err, events.ErrUnknownKind) {
			t.Errorf("%s v%d: got %v, want ErrUnknownKind", c.kind, c.v, err)
		}
	}
	if v := events.Newest("tea.drunk"); v != 0 {
		t.Errorf("Newest of an unknown kind: got %d, want 0", v)
	}
}

// TestFieldErrorNotLost holds that a wrong field is named even where more bytes follow it.
func TestFieldErrorNotLost(t *testing.T) {
	b := pack.AppendMap(nil, 2)
	b = pack.AppendFloat(pack.AppendString(b, "hours"), 1)
	b = pack.AppendString(pack.AppendString(b, "what"), "travel")
	_, err := events.DecodeBody("time.spent", 1, b)
	var f *events.FieldError
	if !errors.As(err, &f) || f.Path != "hours" || !strings.Contains(f.Want, "minutes, what") {
		t.Errorf("got %v, want the field hours and the names that there are", err)
	}
	s, _ := events.SchemaOf("time.spent", 1)
	if form := s.CheckForm(b); !errors.As(form, &f) || f.Path != "hours" {
		t.Errorf("CheckForm: got %v, want the field hours", form)
	}
}

func TestParseWhen(t *testing.T) {
	good := map[string]string{
		"2026-03-02":                          "2026-03-02T00:00:00Z",
		"2026-03-02T09:05:00+01:00":           "2026-03-02T08:05:00Z",
		"2026-03-02T09:05:00Z":                "2026-03-02T09:05:00Z",
		"2026-03-02T09:05:00.123456789-23:59": "2026-03-03T09:04:00.123456789Z",
		"2024-02-29":                          "2024-02-29T00:00:00Z",
		"0001-01-01":                          "0001-01-01T00:00:00Z",
		"9999-12-31T23:59:59.999Z":            "9999-12-31T23:59:59.999Z",
		// RFC 3339, section 5.8.
		"1985-04-12T23:20:50.52Z":      "1985-04-12T23:20:50.52Z",
		"1996-12-19T16:39:57-08:00":    "1996-12-20T00:39:57Z",
		"1937-01-01T12:00:27.87+00:20": "1937-01-01T11:40:27.87Z",
	}
	for s, want := range good {
		got, err := events.ParseWhen(s)
		if err != nil || got.UTC().Format(time.RFC3339Nano) != want {
			t.Errorf("%q: got %v, %v, want %s", s, got.UTC(), err, want)
		}
		if !plainWhen(s) {
			t.Errorf("%q: the second reader refuses it", s)
		}
	}
	for _, s := range []string{
		"", "now", "2026-3-02", "2026-02-29", "2026-13-01", "02.03.2026", "2026-03-02 ", "2026-03-02T", "2026-03-02T9:05:00Z", "2026-03-02T09:05Z", "2026-03-02T09:05:00",
		"2026-03-02t09:05:00Z", "2026-03-02T09:05:00z", "2026-03-02 09:05:00Z", "2026-03-02T09:05:00,5Z", "2026-03-02T09:05:00.Z", "2026-03-02T09:05:00.1234567890Z",
		"2026-03-02T24:00:00Z", "2026-03-02T23:60:00Z", "2016-12-31T23:59:60Z", "2026-03-02T09:05:00+24:00", "2026-03-02T09:05:00+01:60", "2026-03-02T09:05:00+0100",
		"2026-03-02T09:05:00++1:00", "0000-01-01", "10000-01-01", "0001-01-01T00:00:00+00:01", "9999-12-31T23:59:59-00:01", "２０２６-03-02",
	} {
		if got, err := events.ParseWhen(s); err == nil {
			t.Errorf("%q: got %v, want an error", s, got)
		}
		if plainWhen(s) {
			t.Errorf("%q: the second reader takes it", s)
		}
	}
}

// TestParseWhenAgrees changes characters of times: both readers must take the same.
func TestParseWhenAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := []byte(drawnTime.Draw(t, "time"))
		for range rapid.IntRange(0, 3).Draw(t, "changes") {
			s[rapid.IntRange(0, len(s)-1).Draw(t, "at")] = rapid.SampledFrom([]byte("0123456789-+:.TZ,tz ")).Draw(t, "character")
		}
		if _, err := events.ParseWhen(string(s)); plainWhen(string(s)) != (err == nil) {
			t.Fatalf("%q: the first reader says %v, the second %v", s, err, plainWhen(string(s)))
		}
	})
}
