package wire_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"

	"ullage/events"
	"ullage/events/pack"
	"ullage/events/wire"
)

func TestPieces(t *testing.T) {
	three := listOf([][]byte{[]byte("a"), []byte("bc"), make([]byte, 128)})
	tests := []struct {
		name       string
		list       []byte
		most, size int
		want       int // pieces; -1 for an error
	}{
		{"none", nil, 0, 0, 0},
		{"as many as allowed", three, 3, 128, 3},
		{"one too many", three, 2, 128, -1},
		{"one too large", three, 3, 127, -1},
		{"an empty one", []byte{1, 'a', 0}, 9, 9, -1},
		{"an empty one alone", []byte{0}, 9, 9, -1},
		{"cut in its length", three[:5], 9, 999, 2},
		{"cut after its length", three[:7], 9, 999, -1},
		{"cut before its end", three[:len(three)-1], 9, 999, -1},
		{"a longer length than need be", []byte{0x81, 0x00, 'a'}, 9, 9, -1},
		{"a length without end", bytes.Repeat([]byte{0xff}, 11), 9, 9, -1},
		{"a length of 2^64-1", append(bytes.Repeat([]byte{0xff}, 9), 0x01), 9, math.MaxInt, -1},
		{"a length beyond 2^64", append(bytes.Repeat([]byte{0xff}, 9), 0x02), 9, math.MaxInt, -1},
	}
	for _, test := range tests {
		p, err := wire.Pieces(test.list, test.most, test.size)
		if test.want < 0 {
			if !wire.IsMessage(err) || p != nil {
				t.Errorf("%s: got %d pieces, %v", test.name, len(p), err)
			}
			continue
		}
		if err != nil || len(p) != test.want {
			t.Errorf("%s: got %d pieces, %v", test.name, len(p), err)
		}
	}
	p, err := wire.Pieces(three, 3, 128)
	if err != nil {
		t.Fatal(err)
	}
	if _ = append(p[0], "over"...); !bytes.Equal(three, listOf(p)) {
		t.Error("a piece can grow into the next")
	}
}

// variants are lists that are hard in some way.
func variants(t testing.TB) map[string][][]byte {
	golden := goldenRecords()
	change := func(f func(*events.Record)) []byte {
		r, err := events.DecodeRecord(golden[1])
		if err != nil {
			t.Fatal(err)
		}
		f(&r)
		b, err := events.EncodeRecord(&r)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	body := func(b ...byte) []byte { return with(t, golden[1], 13, pack.AppendBin(nil, b)) }
	value := func(b ...byte) []byte { return body(append([]byte{0x81, 0xa1, 'x'}, b...)...) }
	float := func(f float64) []byte { return value(pack.AppendFloat(nil, f)...) }
	nested := func(depth int) []byte { return body(append(bytes.Repeat([]byte{0x81, 0xa1, 'x'}, depth), 0x01)...) }
	v := map[string][][]byte{
		"none":             nil,
		"the golden ones":  golden,
		"one":              golden[:1],
		"twice":            {golden[0], golden[0], golden[1], golden[1]},
		"backwards":        {golden[3], golden[2], golden[1], golden[0]},
		"no records":       {[]byte("a"), []byte("b"), {0}, {0x9e}},
		"bytes of garbage": {bytes.Repeat([]byte{0x9e}, 40), golden[0][:40], append(bytes.Clone(golden[0]), 0)},
		"bodies": {
			body(0x80), value(0x90), value(0x93, 1, 2, 3), value(0x80), value(0xc2), value(0xc3), value(0xa0), value(0xa1, 'y'), value(0xd9, 32, 'y'),
			value(0xff), value(0xe0), value(0xd0, 0xdf), value(pack.AppendInt(nil, math.MinInt64)...), value(pack.AppendUint(nil, math.MaxUint64)...),
			value(0xc4, 0), value(0xc4, 3, 1, 2, 3), value(pack.AppendBin(nil, make([]byte, 16))...), value(pack.AppendBin(nil, make([]byte, 32))...),
			value(pack.AppendBin(nil, make([]byte, 33))...), value(pack.AppendString(nil, strings.Repeat("long ", 400))...),
			body(0x82, 0xa1, 'b', 1, 0xa1, 'a', 1), body(0x82, 0xa1, 'a', 1, 0xa1, 'a', 1), // not canonical
		},
		"fractions": {
			float(0), float(1), float(0.1), float(0.25), float(0.3), float(1.005), float(0.001), float(0.0001), float(1234567.891), float(-1), float(-0.5), float(math.Pi), float(1e16), float(9007199254740994),
			float(1 << 39), float(1 << 40), float(1e300), float(5e-324), float(math.MaxFloat64), float(0.1 + 0.2), float(2.675), float(4503599627370497.5),
		},
		"depth": {nested(1), nested(7), nested(8)},
		"envelopes": {
			change(func(r *events.Record) { r.Seq = math.MaxUint64 }), change(func(r *events.Record) { r.Seq = 1 }),
			change(func(r *events.Record) { r.Clock = 0 }), change(func(r *events.Record) { r.Clock = math.MaxUint64 }), change(func(r *events.Record) { r.Clock = 1 }),
			change(func(r *events.Record) { r.Clock = events.ClockOf(1772438700001, 0xffff) }), change(func(r *events.Record) { r.Clock = events.ClockOf(1772438700002, 0) }),
			change(func(r *events.Record) { r.Done = events.MinMillis }), change(func(r *events.Record) { r.Done = events.MaxMillis }), change(func(r *events.Record) { r.Done = 7 }),
			change(func(r *events.Record) { r.Done = r.Clock.At() }), change(func(r *events.Record) { r.Zone = -events.MaxZone }),
			change(func(r *events.Record) { r.Zone = events.MaxZone }), change(func(r *events.Record) { r.Site, r.Machine, r.By, r.Key = "", "", "", "" }),
			change(func(r *events.Record) { r.Visit = events.RecordID{} }), change(func(r *events.Record) { r.Visit = events.RecordID{1} }),
			change(func(r *events.Record) { r.V, r.Kind = 65536, "a.b" }), change(func(r *events.Record) { r.Key = strings.Repeat("k", 64) }),
			change(func(r *events.Record) { r.ID = events.NewRecordID(1, [10]byte{255, 255, 255, 255}) }), change(func(r *events.Record) { r.ID = events.NewRecordID(2, [10]byte{}) }),
			change(func(r *events.Record) { r.Device = "tab-2" }), change(func(r *events.Record) { r.Device = "tab-2"; r.Key = "pH" }),
		},
		"large": {body(append([]byte{0x81, 0xa1, 'x'}, pack.AppendString(nil, strings.Repeat("x", 70000))...)...), body(append([]byte{0x81, 0xa1, 'x'}, pack.AppendString(nil, strings.Repeat("x", 65000))...)...), make([]byte, 70_000), golden[0]},
	}
	random := rand.New(rand.NewPCG(1, 2))
	for n := range 40 {
		var list [][]byte
		for range 1 + random.IntN(60) {
			r := golden[random.IntN(len(golden))]
			if random.IntN(4) == 0 {
				r = bytes.Clone(r)
				r[random.IntN(len(r))] = byte(random.Uint32())
			}
			list = append(list, r)
		}
		v[fmt.Sprint("changed ", n)] = list
	}
	return v
}

// TestSqueeze holds that what is squeezed comes back, folded or not.
func TestSqueeze(t *testing.T) {
	for name, pieces := range variants(t) {
		list := listOf(pieces)
		got, err := wire.Expand(wire.Squeeze(list), wire.MaxPlain)
		if err != nil || !bytes.Equal(got, list) {
			t.Errorf("%s: squeezed: %v", name, err)
		}
		dense, random := wire.Fold(pieces)
		got, err = wire.Unfold(append(dense, random...), len(list))
		if err != nil || !bytes.Equal(got, list) {
			t.Errorf("%s: folded: %v", name, err)
		}
		if len(list) == 0 {
			continue
		}
		if _, err = wire.Unfold(append(dense, random...), len(list)-1); !wire.IsMessage(err) {
			t.Errorf("%s: unfolded to one byte more than allowed: %v", name, err)
		}
	}
	for _, list := range [][]byte{{0}, []byte("no list"), {1, 'a', 0}} {
		got, err := wire.Expand(wire.Squeeze(list), wire.MaxPlain)
		if err != nil || !bytes.Equal(got, list) {
			t.Errorf("%q: %v", list, err)
		}
	}
}

// Any zstd without a dictionary is read, whoever compressed it and however.
func TestExpandReadsOthers(t *testing.T) {
	list := listOf(goldenRecords())
	for _, level := range []zstd.EncoderLevel{zstd.SpeedFastest, zstd.SpeedDefault, zstd.SpeedBestCompression} {
		for _, crc := range []bool{false, true} {
			e, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(level), zstd.WithEncoderCRC(crc), zstd.WithEncoderConcurrency(1))
			if err != nil {
				t.Fatal(err)
			}
			var stream bytes.Buffer // without the size in its header
			e.Reset(&stream)
			for _, c := range list {
				if _, err := e.Write([]byte{c}); err != nil {
					t.Fatal(err)
				}
			}
			if err := e.Close(); err != nil {
				t.Fatal(err)
			}
			half := len(list) / 2
			for name, z := range map[string][]byte{
				"one frame": e.EncodeAll(list, nil), "a stream": stream.Bytes(), "two frames": e.EncodeAll(list[half:], e.EncodeAll(list[:half], nil)),
			} {
				if got, err := wire.Expand(z, len(list)); err != nil || !bytes.Equal(got, list) {
					t.Errorf("%s at level %v: %v", name, level, err)
				}
				if _, err := wire.Expand(z, len(list)-1); !wire.IsMessage(err) {
					t.Errorf("%s at level %v, a byte too large: %v", name, level, err)
				}
			}
		}
	}
	e, err := zstd.NewWriter(nil, zstd.WithEncoderDictRaw(2, []byte("a dictionary of tomorrow")))
	if err != nil {
		t.Fatal(err)
	}
	for name, z := range map[string][]byte{"another dictionary": e.EncodeAll(list, nil), "no zstd": list, "nothing": nil} {
		if _, err := wire.Expand(z, wire.MaxPlain); !wire.IsMessage(err) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// columns writes folded content; the columns that are not given are empty.
func columns(given map[int][]byte) (content []byte) {
	for n := 1; n <= 17; n++ {
		content = wire.AppendPiece(content, given[n])
	}
	return content
}

// bombs are small inputs that would become large, or claim to.
func bombs(t testing.TB) map[string][]byte {
	t.Helper()
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<20))
	if err != nil {
		t.Fatal(err)
	}
	zeros := make([]byte, 64<<20)
	var stream bytes.Buffer
	e.Reset(&stream)
	if _, err := e.Write(zeros); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	claims := func(size uint64) []byte { // a frame that says how large it is, and then has an empty last block
		return append(binary.LittleEndian.AppendUint64([]byte{0x28, 0xb5, 0x2f, 0xfd, 0xe0}, size), 1, 0, 0)
	}
	var frames []byte
	for range 100 {
		frames = e.EncodeAll(zeros[:1<<20], frames)
	}
	wide, err := zstd.NewWriter(nil, zstd.WithWindowSize(64<<20), zstd.WithSingleSegment(false))
	if err != nil {
		t.Fatal(err)
	}
	text := func(n int) []byte { return wire.AppendPiece(nil, bytes.Repeat([]byte{'x'}, n)) }
	fold := func(given map[int][]byte) []byte { return wire.SqueezeFolded(columns(given), nil) }
	form := func(shape ...byte) []byte { return wire.AppendPiece(nil, append([]byte("\x03a.b\x01"), shape...)) }
	newForm := func() []byte { // the first that the dictionary lacks
		n, _ := wire.Known()
		return binary.AppendUvarint(nil, uint64(n+1))
	}()
	newText := func() []byte {
		_, texts := wire.Known()
		return binary.AppendUvarint(nil, uint64(texts+1))
	}()
	many := 20_000
	records := func(given map[int][]byte) map[int][]byte {
		given[3], given[4], given[5] = bytes.Repeat(newForm, many), make([]byte, many), make([]byte, many)
		given[7], given[15] = make([]byte, many), make([]byte, 9*many)
		return given
	}
	return map[string][]byte{
		"64 MiB of zeros":                   e.EncodeAll(zeros, nil),
		"64 MiB of zeros in a stream":       stream.Bytes(),
		"it claims 1 TiB":                   claims(1 << 40),
		"it claims 2^64-1":                  claims(1<<64 - 1),
		"it claims one byte too many":       claims(wire.MaxPlain + 1),
		"it claims as much as is allowed":   claims(wire.MaxPlain),
		"100 frames of 1 MiB":               frames,
		"a window of 64 MiB":                wide.EncodeAll(zeros[:40<<20], nil),
		"records of a form with a long key": fold(records(map[int][]byte{1: form(append([]byte("m\x01"), append(text(60_000), 'l', 0)...)...)})),
		"records with a long text": fold(records(map[int][]byte{
			1: form('t'), 2: text(60_000), 11: bytes.Repeat(newText, many),
		})),
		"one record with a long text, many times": fold(map[int][]byte{
			1: form(append(binary.AppendUvarint([]byte{'l'}, uint64(many)), bytes.Repeat([]byte{'t'}, many)...)...), 2: text(60_000),
			3: newForm, 4: {0}, 5: {0}, 7: {0}, 11: bytes.Repeat(newText, many), 15: make([]byte, 9),
		}),
		"4 million values of nothing": fold(map[int][]byte{
			1: form(append(binary.AppendUvarint([]byte{'l'}, 200_000), bytes.Repeat([]byte{'u'}, 200_000)...)...),
			3: bytes.Repeat(newForm, 20), 12: make([]byte, 4_000_000),
		}),
		"a list that says it has 2^60 elements": fold(map[int][]byte{1: form(append([]byte{'l'}, binary.AppendUvarint(nil, 1<<60)...)...)}),
		"lists in lists":                        fold(map[int][]byte{1: form(bytes.Repeat([]byte("l\x01"), 100_000)...)}),
		"forms without end":                     fold(map[int][]byte{1: bytes.Repeat(form('t'), 500_000)}),
		"texts without end":                     fold(map[int][]byte{2: bytes.Repeat([]byte("\x01x"), 2_000_000)}),
		"empty columns and more":                wire.SqueezeFolded(append(columns(nil), 0), nil),
		"one column fewer":                      wire.SqueezeFolded(columns(nil)[:16], nil),
	}
}

// TestBombs holds that they are refused, with little memory taken for them.
func TestBombs(t *testing.T) {
	all := bombs(t)
	if _, err := wire.Expand(wire.Squeeze(listOf(goldenRecords())), wire.MaxPlain); err != nil { // makes a decoder, which stays
		t.Fatal(err)
	}
	for name, z := range all {
		if len(z) > wire.MaxFrame {
			t.Errorf("%s: it has %d bytes, more than any request", name, len(z))
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		list, err := wire.Expand(z, wire.MaxPlain)
		runtime.ReadMemStats(&after)
		if !wire.IsMessage(err) {
			t.Errorf("%s: %d bytes came out, %v", name, len(list), err)
		}
		if took := (after.TotalAlloc - before.TotalAlloc) >> 20; took > 40 {
			t.Errorf("%s: %d MiB were taken for %d bytes", name, took, len(z))
		}
	}
}

// TestUnfoldRefuses changes good columns in one place each.
func TestUnfoldRefuses(t *testing.T) {
	n, texts := wire.Known()
	u := func(x ...uint64) (b []byte) {
		for _, x := range x {
			b = binary.AppendUvarint(b, x)
		}
		return b
	}
	form, text := uint64(n+1), uint64(texts+1)
	good := func() map[int][]byte { // one record that has everything, and one piece that is none
		return map[int][]byte{
			1: wire.AppendPiece(nil, []byte("\x03a.b\x01m\x08\x01at\x01bu\x01ci\x01db\x01ef\x01fv\x01gs\x01hl\x01t")),
			2: wire.AppendPiece(nil, []byte("text")),
			3: u(form, 0), 4: {0xe7}, 5: {0x0f}, 6: u(2, 3), 7: u(8), 8: append(append(u(9), 1, 2, 3, 4, 5, 6), u(4)...), 9: u(1), 10: u(text, text, 0, 1, 2),
			11: u(text, 1), 12: u(5, 6, 1, 17), 13: u(2), 14: wire.AppendPiece(nil, []byte("odd")), 15: make([]byte, 9), 16: make([]byte, 32), 17: make([]byte, 32),
		}
	}
	if _, err := wire.Unfold(columns(good()), 1000); err != nil {
		t.Fatal(err)
	}
	deep := good()
	deep[1] = append(deep[1], wire.AppendPiece(nil, append(append([]byte("\x03a.b\x01"), bytes.Repeat([]byte("l\x01"), 8)...), 't'))...)
	if _, err := wire.Unfold(columns(deep), 1000); err != nil {
		t.Errorf("eight lists in each other: %v", err)
	}
	for name, change := range map[string]func(map[int][]byte){
		"a form that is unknown":          func(g map[int][]byte) { g[3] = u(form+1, 0) },
		"a form's type that is unknown":   func(g map[int][]byte) { g[1] = wire.AppendPiece(nil, []byte("\x03a.b\x01x")) },
		"a form without a body":           func(g map[int][]byte) { g[1] = wire.AppendPiece(nil, []byte("\x03a.b\x01")) },
		"a form with something behind it": func(g map[int][]byte) { g[1] = wire.AppendPiece(nil, append(bytes.Clone(g[1][1:]), 't')) },
		"a form cut short":                func(g map[int][]byte) { g[1] = wire.AppendPiece(nil, g[1][1:len(g[1])-1]) },
		"a text that is unknown":          func(g map[int][]byte) { g[11] = u(text+1, 1) },
		"an envelope's text is unknown":   func(g map[int][]byte) { g[10] = u(text+1, text, 0, 1, 2) },
		"a visit that is unknown":         func(g map[int][]byte) { g[13] = u(3) },
		"a visit that is none":            func(g map[int][]byte) { g[13] = u(0) },
		"the envelope's visit is unknown": func(g map[int][]byte) { g[9] = u(3) },
		"half a visit":                    func(g map[int][]byte) { g[16] = make([]byte, 33) },
		"a truth value of 2":              func(g map[int][]byte) { g[12] = u(5, 6, 2, 17) },
		"a negative number beyond 2^63":   func(g map[int][]byte) { g[12] = u(5, 1<<63, 1, 17) },
		"a fraction that is none":         func(g map[int][]byte) { g[12] = append(u(5, 6, 1, 3), 0x7f, 0xf8, 0, 0, 0, 0, 0, 0) },
		"a fraction that is infinite":     func(g map[int][]byte) { g[12] = append(u(5, 6, 1, 3), 0x7f, 0xf0, 0, 0, 0, 0, 0, 0) },
		"nought with a sign":              func(g map[int][]byte) { g[12] = append(u(5, 6, 1, 3), 0x80, 0, 0, 0, 0, 0, 0, 0) },
		"a fraction cut short":            func(g map[int][]byte) { g[12] = append(u(5, 6, 1, 3), 0x3f, 0xf0) },
		"a fraction beyond 2^53":          func(g map[int][]byte) { g[12] = u(5, 6, 1, 1<<60) },
		"a number in a longer form":       func(g map[int][]byte) { g[13] = []byte{0x82, 0x00} },
		"a counter beyond 16 bits":        func(g map[int][]byte) { g[6] = u(2, 1<<16) },
		"flags that are not known":        func(g map[int][]byte) { g[5] = []byte{0x4f} },
		"done given twice":                func(g map[int][]byte) { g[4], g[7] = []byte{0xff}, nil },
		"a record too large":              func(g map[int][]byte) { g[2] = wire.AppendPiece(nil, bytes.Repeat([]byte{'x'}, 40_000)) },
		"a text too large, of no record": func(g map[int][]byte) {
			g[2] = append(g[2], wire.AppendPiece(nil, bytes.Repeat([]byte{'x'}, 65_537))...)
		},
		"nine lists in each other": func(g map[int][]byte) {
			g[1] = append(g[1], wire.AppendPiece(nil, append(append([]byte("\x03a.b\x01"), bytes.Repeat([]byte("l\x01"), 9)...), 't'))...)
		},
		"a piece that is cut short": func(g map[int][]byte) { g[14] = g[14][:2] },
	} {
		g := good()
		if change(g); name != "" {
			if list, err := wire.Unfold(columns(g), wire.MaxPlain); !wire.IsMessage(err) {
				t.Errorf("%s: %d bytes, %v", name, len(list), err)
			}
		}
	}
	for n := 1; n <= 17; n++ {
		g := good()
		if n != 7 && n != 14 {
			g[n] = g[n][:len(g[n])-1]
			if list, err := wire.Unfold(columns(g), wire.MaxPlain); !wire.IsMessage(err) {
				t.Errorf("column %d cut short: %d bytes, %v", n, len(list), err)
			}
		}
		g = good()
		g[n] = append(bytes.Clone(g[n]), 0)
		if list, err := wire.Unfold(columns(g), wire.MaxPlain); !wire.IsMessage(err) && n != 2 {
			t.Errorf("column %d longer: %d bytes, %v", n, len(list), err)
		}
	}
}

// TestDictionaryIsKept holds the dictionary to what was released.
func TestDictionaryIsKept(t *testing.T) {
	b, err := os.ReadFile(dictionaryFile)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("| 1 | `%s` | %d | `%x` |", dictionaryFile, len(b), sha256.Sum256(b))
	if !strings.Contains(string(text), want) {
		t.Errorf("FORMAT.md does not have the line\n%s\nWas the dictionary changed? What was released is kept; a better one gets the next number.", want)
	}
}
