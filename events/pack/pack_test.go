package pack_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events/pack"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestPublished runs the published examples of the forms: MessagePack specification, and kawanet/msgpack-test-suite.
func TestPublished(t *testing.T) {
	uints := map[uint64]string{
		0: "00", 127: "7f", 128: "cc80", 255: "ccff", 256: "cd0100", 65535: "cdffff", 65536: "ce00010000",
		2147483647: "ce7fffffff", 4294967295: "ceffffffff", 4294967296: "cf0000000100000000",
		9223372036854775807: "cf7fffffffffffffff", 18446744073709551615: "cfffffffffffffffff",
	}
	for u, want := range uints {
		if got := hex.EncodeToString(pack.AppendUint(nil, u)); got != want {
			t.Errorf("%d: got %s, want %s", u, got, want)
		}
		r := pack.NewReader(unhex(t, want))
		if got := r.Uint(); got != u || r.Done() != nil {
			t.Errorf("%s: got %d, %v, want %d", want, got, r.Done(), u)
		}
		if u > math.MaxInt64 {
			continue
		}
		if got := hex.EncodeToString(pack.AppendInt(nil, int64(u))); got != want {
			t.Errorf("%d: got %s, want %s", u, got, want)
		}
	}
	ints := map[int64]string{
		-1: "ff", -32: "e0", -33: "d0df", -128: "d080", -129: "d1ff7f", -32768: "d18000", -32769: "d2ffff7fff",
		-2147483648: "d280000000", -2147483649: "d3ffffffff7fffffff", math.MinInt64: "d38000000000000000", 127: "7f",
	}
	for i, want := range ints {
		if got := hex.EncodeToString(pack.AppendInt(nil, i)); got != want {
			t.Errorf("%d: got %s, want %s", i, got, want)
		}
		r := pack.NewReader(unhex(t, want))
		if got := r.Int(); got != i || r.Done() != nil {
			t.Errorf("%s: got %d, %v, want %d", want, got, r.Done(), i)
		}
	}
	floats := map[float64]string{0.5: "cb3fe0000000000000", -0.5: "cbbfe0000000000000", 0: "cb0000000000000000", 1: "cb3ff0000000000000"}
	for f, want := range floats {
		if got := hex.EncodeToString(pack.AppendFloat(nil, f)); got != want {
			t.Errorf("%g: got %s, want %s", f, got, want)
		}
		r := pack.NewReader(unhex(t, want))
		if got := r.Float(); got != f || r.Done() != nil {
			t.Errorf("%s: got %g, %v, want %g", want, got, r.Done(), f)
		}
	}
	texts := map[string]string{
		"": "a0", "a": "a161", "漢字": "a6e6bca2e5ad97", "Кириллица": "b2d09ad0b8d180d0b8d0bbd0bbd0b8d186d0b0",
		"1234567890123456789012345678901":  "bf" + hex.EncodeToString([]byte("1234567890123456789012345678901")),
		"12345678901234567890123456789012": "d920" + hex.EncodeToString([]byte("12345678901234567890123456789012")),
	}
	for s, want := range texts {
		if got := hex.EncodeToString(pack.AppendString(nil, s)); got != want {
			t.Errorf("%q: got %s, want %s", s, got, want)
		}
		r := pack.NewReader(unhex(t, want))
		if got := r.String(); got != s || r.Done() != nil {
			t.Errorf("%s: got %q, %v, want %q", want, got, r.Done(), s)
		}
	}
	for b, want := range map[string]string{"": "c400", "\x01": "c40101", "\x00\xff": "c40200ff"} {
		if got := hex.EncodeToString(pack.AppendBin(nil, []byte(b))); got != want {
			t.Errorf("binary %x: got %s, want %s", b, got, want)
		}
		r := pack.NewReader(unhex(t, want))
		if got := r.Bin(); string(got) != b || r.Done() != nil {
			t.Errorf("%s: got %x, %v, want %x", want, got, r.Done(), b)
		}
	}
	if got := hex.EncodeToString(pack.AppendBool(pack.AppendBool(nil, false), true)); got != "c2c3" {
		t.Errorf("false, true: got %s, want c2c3", got)
	}
	whole := map[string]string{ // {"a":1}, [1], {} and [], sixteen elements, a map in a list
		"81a16101": "a map", "9101": "an array", "80": "a map", "90": "an array", "dc0010" + strings.Repeat("01", 16): "an array", "9181a16101": "an array", "9190": "an array",
	}
	for bytes, want := range whole {
		r := pack.NewReader(unhex(t, bytes))
		if got := r.Next().String(); got != want {
			t.Errorf("%s: got %s, want %s", bytes, got, want)
		}
		if got := r.Skip(8); hex.EncodeToString(got) != bytes || r.Done() != nil {
			t.Errorf("%s: got %x, %v", bytes, got, r.Done())
		}
	}
	if got := hex.EncodeToString(pack.AppendArray(nil, 16)); got != "dc0010" {
		t.Errorf("header of 16 elements: got %s, want dc0010", got)
	}
}

// TestPublishedButLonger runs forms of the same suite that general decoders take and records do not have.
func TestPublishedButLonger(t *testing.T) {
	for _, s := range []string{
		"cc00", "cd0000", "ce00000000", "cf0000000000000000", "d000", "d10000", "d200000000", "d30000000000000000", "cc7f", "cd00ff", "ce0000ffff", "cf00000000ffffffff",
		"d07f", "d0ff", "d0e0", "d1ff80", "d2ffff8000", "d3ffffffff80000000", "d1007f", "d200007fff", "d3000000007fffffff", "ca3f000000", "ca00000000", "cb8000000000000000",
		"d90161", "da000161", "db0000000161", "c5000101", "c60000000101", "dc000101", "dd0000000101", "de000180a0", "df00000001a16101", "dc0000", "de0000", "c0", "c1",
		"d40110", "d5012021", "d60130313233", "c7000a", "c8000001", "c90000000001", "d6ff00000000", "cb7ff0000000000000", "cbfff0000000000000", "cb7ff8000000000000",
	} {
		r := pack.NewReader(unhex(t, s))
		r.Skip(8)
		if err := r.Done(); !errors.Is(err, pack.ErrForm) {
			t.Errorf("%s: got %v, want ErrForm", s, err)
		}
	}
}

// TestErrorIsKept holds that the first error stays and that later reads give zero values.
func TestErrorIsKept(t *testing.T) {
	r := pack.NewReader([]byte{0x05, 0xc0, 0xa1, 'x'})
	r.Uint()
	if s := r.String(); s != "" {
		t.Errorf("got %q from a nil", s)
	}
	first := r.Err()
	var e *pack.Error
	if !errors.As(first, &e) || e.At != 1 {
		t.Fatalf("got %v, want an error at byte 1", first)
	}
	if u, i, f, b, s, p, a, m, n := r.Uint(), r.Int(), r.Float(), r.Bool(), r.StringBytes(), r.Bin(), r.Array(9), r.Map(9), r.Next(); u != 0 || i != 0 || f != 0 || b || s != nil || p != nil || a != 0 || m != 0 || n != pack.Other {
		t.Error("a reader gives values after its error")
	}
	if p := r.Skip(8); p != nil {
		t.Errorf("Skip after an error: got %x", p)
	}
	r.Failf("another")
	if r.Err() != first || r.Done() != first {
		t.Errorf("got %v, want the first error %v", r.Done(), first)
	}
}

// TestLimits holds the reader to the counts that its caller allows.
func TestLimits(t *testing.T) {
	list := func(n int) []byte {
		return append(pack.AppendArray(nil, n), bytes.Repeat([]byte{1}, n)...)
	}
	r := pack.NewReader(list(3))
	if n := r.Array(3); n != 3 || r.Err() != nil {
		t.Errorf("got %d, %v, want 3", n, r.Err())
	}
	r = pack.NewReader(list(4))
	if n := r.Array(3); n != 0 || !errors.Is(r.Err(), pack.ErrForm) {
		t.Errorf("got %d, %v, want an error", n, r.Err())
	}
	for depth, ok := range map[int]bool{0: false, 1: false, 2: true, 3: true} {
		r = pack.NewReader([]byte{0x91, 0x91, 0x01})
		if r.Skip(depth); (r.Err() == nil) != ok {
			t.Errorf("two deep with %d allowed: %v", depth, r.Err())
		}
	}
}

// TestLongForms goes over the boundaries between the headers, where an error of one would show.
func TestLongForms(t *testing.T) {
	for _, n := range []int{0, 1, 15, 16, 31, 32, 255, 256, 65535, 65536} {
		s := strings.Repeat("x", n)
		for what, b := range map[string][]byte{"text": pack.AppendString(nil, s), "binary": pack.AppendBin(nil, []byte(s))} {
			r := pack.NewReader(b)
			if got := r.Skip(0); len(got) != len(b) || r.Done() != nil {
				t.Errorf("%s of %d bytes: %v", what, n, r.Done())
			}
			r = pack.NewReader(b)
			if what == "text" && r.String() != s || what == "binary" && string(r.Bin()) != s {
				t.Errorf("%s of %d bytes is read as something else", what, n)
			}
		}
		list := append(pack.AppendArray(nil, n), bytes.Repeat([]byte{0x07}, n)...)
		r := pack.NewReader(list)
		if got := r.Array(n); got != n {
			t.Errorf("list of %d: got %d, %v", n, got, r.Err())
		}
		m := pack.AppendMap(nil, n)
		for i := range n {
			m = pack.AppendBool(pack.AppendString(m, fmt.Sprintf("%05d", i)), true)
		}
		r = pack.NewReader(m)
		if got := r.Skip(1); len(got) != len(m) || r.Done() != nil {
			t.Errorf("map of %d: %v", n, r.Done())
		}
		r = pack.NewReader(m)
		if got := r.Map(n); got != n {
			t.Errorf("map of %d: got %d, %v", n, got, r.Err())
		}
	}
}

func TestAppendFloatPanics(t *testing.T) {
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%g was written", f)
				}
			}()
			pack.AppendFloat(nil, f)
		}()
	}
	if got := pack.AppendFloat(nil, math.Copysign(0, -1)); !bytes.Equal(got, pack.AppendFloat(nil, 0)) {
		t.Errorf("negative zero is written as %x", got)
	}
}

// drawValue appends a value drawn at random, and the calls that must read it again.
func drawValue(t *rapid.T, depth int) (b []byte, read func(*rapid.T, *pack.Reader)) {
	want := func(t *rapid.T, got, want any) {
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	}
	most := 8
	if depth == 0 {
		most = 6
	}
	switch rapid.IntRange(0, most).Draw(t, "type") {
	case 0, 1:
		x := rapid.Uint64().Draw(t, "uint")
		return pack.AppendUint(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, r.Uint(), x) }
	case 2:
		x := rapid.Int64().Draw(t, "int")
		return pack.AppendInt(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, r.Int(), x) }
	case 3:
		x := rapid.Float64().Draw(t, "float") + 0
		return pack.AppendFloat(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, math.Float64bits(r.Float()), math.Float64bits(x+0)) }
	case 4:
		x := rapid.Bool().Draw(t, "bool")
		return pack.AppendBool(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, r.Bool(), x) }
	case 5:
		x := rapid.String().Draw(t, "string")
		return pack.AppendString(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, r.String(), x) }
	case 6:
		x := rapid.SliceOf(rapid.Byte()).Draw(t, "bin")
		return pack.AppendBin(nil, x), func(t *rapid.T, r *pack.Reader) { want(t, r.Bin(), x) }
	case 7:
		n := rapid.IntRange(0, 20).Draw(t, "elements")
		b := pack.AppendArray(nil, n)
		var reads []func(*rapid.T, *pack.Reader)
		for range n {
			e, read := drawValue(t, depth-1)
			b, reads = append(b, e...), append(reads, read)
		}
		return b, func(t *rapid.T, r *pack.Reader) {
			want(t, r.Array(20), n)
			for _, read := range reads {
				read(t, r)
			}
		}
	}
	names := rapid.SliceOfNDistinct(rapid.String(), 0, 20, rapid.ID[string]).Draw(t, "names")
	slices.Sort(names)
	b = pack.AppendMap(nil, len(names))
	var reads []func(*rapid.T, *pack.Reader)
	for _, name := range names {
		e, read := drawValue(t, depth-1)
		b, reads = append(pack.AppendString(b, name), e...), append(reads, read)
	}
	return b, func(t *rapid.T, r *pack.Reader) {
		want(t, r.Map(20), len(names))
		var keys pack.Keys
		for i, read := range reads {
			want(t, string(keys.Next(r)), names[i])
			read(t, r)
		}
	}
}

// TestRoundTrip writes values at random and reads them again, as what they are and as a whole; cut anywhere, they do
// not read.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, read := drawValue(t, 3)
		r := pack.NewReader(b)
		read(t, r)
		if err := r.Done(); err != nil {
			t.Fatal(err)
		}
		r.Reset(b)
		if got := r.Skip(4); !bytes.Equal(got, b) || r.Done() != nil || r.Offset() != len(b) {
			t.Fatalf("Skip: got %x, %v, want %x", got, r.Done(), b)
		}
		r.Reset(b[:rapid.IntRange(0, len(b)-1).Draw(t, "cut")])
		r.Skip(4)
		if err := r.Done(); !errors.Is(err, pack.ErrForm) {
			t.Fatalf("cut: got %v, want ErrForm", err)
		}
	})
}

// again writes the next value of r anew, as a caller would who knows nothing but its type.
func again(b []byte, r *pack.Reader) []byte {
	switch r.Next() {
	case pack.Bool:
		return pack.AppendBool(b, r.Bool())
	case pack.Uint:
		return pack.AppendUint(b, r.Uint())
	case pack.Int:
		return pack.AppendInt(b, r.Int())
	case pack.Float:
		return pack.AppendFloat(b, r.Float())
	case pack.String:
		return pack.AppendString(b, r.String())
	case pack.Bin:
		return pack.AppendBin(b, r.Bin())
	case pack.Array:
		n := r.Array(math.MaxInt)
		b = pack.AppendArray(b, n)
		for range n {
			b = again(b, r)
		}
		return b
	case pack.Map:
		n := r.Map(math.MaxInt)
		b = pack.AppendMap(b, n)
		for range n {
			b = again(pack.AppendString(b, r.String()), r)
		}
		return b
	}
	return b
}

// FuzzPack holds that whatever is read as one value is written again in the same bytes.
func FuzzPack(f *testing.F) {
	names, err := filepath.Glob("../../testdata/golden/*.v*.golden")
	if err != nil || len(names) == 0 {
		f.Fatalf("no golden files (%v)", err)
	}
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		_, digits, _ := strings.Cut(string(text), "\n\n")
		f.Add(unhex(f, strings.Join(strings.Fields(digits), "")))
	}
	for _, s := range []string{"cb3fe0000000000000", "df00000001a16101", "82a16101a16202", "82a16201a16102", "c0", "dd00010000", "d3ffffffff7fffffff"} {
		f.Add(unhex(f, s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		r := pack.NewReader(b)
		p := r.Skip(16)
		if r.Err() != nil {
			if !errors.Is(r.Err(), pack.ErrForm) || p != nil {
				t.Fatalf("%x: got %x, %v", b, p, r.Err())
			}
			return
		}
		if !bytes.Equal(p, b[:r.Offset()]) {
			t.Fatalf("%x: Skip returns %x, %d bytes on", b, p, r.Offset())
		}
		r = pack.NewReader(p)
		if got := again(nil, r); !bytes.Equal(got, p) || r.Done() != nil {
			t.Errorf("%x is written again as %x, %v", p, got, r.Done())
		}
	})
}
