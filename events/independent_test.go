package events_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ullage/events"
)

// This file is a second reader of records, written from FORMAT.md, whose appendix it reads for the fields of the kinds,
// and sharing no code with the first. It goes another way: it reads any MessagePack with text keys into plain values, writes these in the one canonical form, and demands
// the bytes that it read. Plain values are bool, whole (a number), float64, string, []byte, []any, map[string]any.

// whole is a whole number of any size that MessagePack knows.
type whole struct{ n string }

func wholeOf(n *big.Int) whole { return whole{n.String()} }

func uintOf(u uint64) whole { return wholeOf(new(big.Int).SetUint64(u)) }

func intOf(i int64) whole { return wholeOf(big.NewInt(i)) }

// value takes one value from the front of b.
func value(b []byte) (any, []byte, error) {
	if len(b) == 0 {
		return nil, nil, errors.New("nothing left")
	}
	c, rest := int(b[0]), b[1:]
	be := func(n int) (*big.Int, error) {
		if len(rest) < n {
			return nil, errors.New("cut off")
		}
		x := new(big.Int).SetBytes(rest[:n])
		rest = rest[n:]
		return x, nil
	}
	// The length of what has one: in the first byte, or in the bytes that follow.
	length := func(low, wide int) (int, error) {
		if wide == 0 {
			return low, nil
		}
		x, err := be(wide)
		if err != nil {
			return 0, err
		}
		if x.Cmp(big.NewInt(int64(len(rest)))) > 0 {
			return 0, errors.New("longer than what is left")
		}
		return int(x.Int64()), nil
	}
	width := func(first int) int { return 1 << (c - first) }
	switch {
	case c <= 0x7f:
		return intOf(int64(c)), rest, nil
	case c >= 0xe0:
		return intOf(int64(c) - 256), rest, nil
	case c == 0xc2, c == 0xc3:
		return c == 0xc3, rest, nil
	case c >= 0xcc && c <= 0xcf:
		x, err := be(width(0xcc))
		if err != nil {
			return nil, nil, err
		}
		return wholeOf(x), rest, nil
	case c >= 0xd0 && c <= 0xd3:
		n := width(0xd0)
		x, err := be(n)
		if err != nil {
			return nil, nil, err
		}
		if x.Bit(8*n-1) == 1 {
			x.Sub(x, new(big.Int).Lsh(big.NewInt(1), uint(8*n)))
		}
		return wholeOf(x), rest, nil
	case c == 0xcb:
		x, err := be(8)
		if err != nil {
			return nil, nil, err
		}
		return math.Float64frombits(x.Uint64()), rest, nil
	case c >= 0xa0 && c <= 0xbf, c >= 0xd9 && c <= 0xdb, c >= 0xc4 && c <= 0xc6:
		low, wide := c-0xa0, 0
		if c >= 0xd9 {
			wide = width(0xd9)
		} else if c >= 0xc4 {
			wide = width(0xc4)
		}
		n, err := length(low, wide)
		if err != nil {
			return nil, nil, err
		}
		if n > len(rest) {
			return nil, nil, errors.New("cut off")
		}
		if c >= 0xc4 && c <= 0xc6 {
			return append([]byte{}, rest[:n]...), rest[n:], nil
		}
		return string(rest[:n]), rest[n:], nil
	case c >= 0x90 && c <= 0x9f, c == 0xdc, c == 0xdd:
		low, wide := c-0x90, 0
		if c >= 0xdc {
			wide = 2 * width(0xdc)
		}
		n, err := length(low, wide)
		if err != nil {
			return nil, nil, err
		}
		list := []any{}
		for range n {
			var x any
			if x, rest, err = value(rest); err != nil {
				return nil, nil, err
			}
			list = append(list, x)
		}
		return list, rest, nil
	case c >= 0x80 && c <= 0x8f, c == 0xde, c == 0xdf:
		low, wide := c-0x80, 0
		if c >= 0xde {
			wide = 2 * width(0xde)
		}
		n, err := length(low, wide)
		if err != nil {
			return nil, nil, err
		}
		m := map[string]any{}
		for range n {
			var k, x any
			if k, rest, err = value(rest); err != nil {
				return nil, nil, err
			}
			name, ok := k.(string)
			if !ok {
				return nil, nil, errors.New("a key that is no text")
			}
			if x, rest, err = value(rest); err != nil {
				return nil, nil, err
			}
			m[name] = x
		}
		return m, rest, nil
	}
	return nil, nil, fmt.Errorf("byte %#02x begins nothing", c)
}

// canonical writes a plain value in the form of FORMAT.md, section 1.
func canonical(x any) []byte {
	var out bytes.Buffer
	be := func(first byte, size int, n uint64) {
		out.WriteByte(first)
		for i := size - 1; i >= 0; i-- {
			out.WriteByte(byte(n >> (8 * i)))
		}
	}
	head := func(n, small int, low byte, wide ...byte) {
		sizes := map[byte]int{0xd9: 1, 0xda: 2, 0xdb: 4, 0xc4: 1, 0xc5: 2, 0xc6: 4, 0xdc: 2, 0xdd: 4, 0xde: 2, 0xdf: 4}
		if n < small {
			out.WriteByte(low + byte(n))
			return
		}
		for _, c := range wide {
			if n < 1<<(8*sizes[c]) {
				be(c, sizes[c], uint64(n))
				return
			}
		}
	}
	switch x := x.(type) {
	case bool:
		out.WriteByte(map[bool]byte{false: 0xc2, true: 0xc3}[x])
	case whole:
		n, _ := new(big.Int).SetString(x.n, 10)
		switch bits := new(big.Int).Add(n, big.NewInt(0)).BitLen(); {
		case n.Sign() >= 0 && bits <= 7, n.Sign() < 0 && n.Int64() >= -32:
			out.WriteByte(byte(n.Int64()))
		case n.Sign() >= 0:
			for i, size := range []int{1, 2, 4, 8} {
				if bits <= 8*size {
					be(byte(0xcc+i), size, n.Uint64())
					break
				}
			}
		default:
			for i, size := range []int{1, 2, 4, 8} {
				if n.Int64() >= math.MinInt64>>(64-8*size) {
					be(byte(0xd0+i), size, uint64(n.Int64()))
					break
				}
			}
		}
	case float64:
		be(0xcb, 8, math.Float64bits(x))
	case string:
		head(len(x), 32, 0xa0, 0xd9, 0xda, 0xdb)
		out.WriteString(x)
	case []byte:
		head(len(x), 0, 0, 0xc4, 0xc5, 0xc6)
		out.Write(x)
	case []any:
		head(len(x), 16, 0x90, 0xdc, 0xdd)
		for _, e := range x {
			out.Write(canonical(e))
		}
	case map[string]any:
		head(len(x), 16, 0x80, 0xde, 0xdf)
		var keys []string
		for k := range x {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		for _, k := range keys {
			out.Write(canonical(k))
			out.Write(canonical(x[k]))
		}
	default:
		panic(fmt.Sprintf("canonical: %T", x))
	}
	return out.Bytes()
}

// sane holds what canonical writes in one way all the same: texts to UTF-8, fractions to finite numbers and one zero.
func sane(x any) error {
	switch x := x.(type) {
	case string:
		if string([]rune(x)) != x {
			return errors.New("a text that is no UTF-8")
		}
	case float64:
		if x-x != 0 || x == 0 && math.Signbit(x) {
			return errors.New("a fraction that is none")
		}
	case []any:
		for _, e := range x {
			if err := sane(e); err != nil {
				return err
			}
		}
	case map[string]any:
		for k, e := range x {
			if err := errors.Join(sane(k), sane(e)); err != nil {
				return err
			}
		}
	}
	return nil
}

// readValue reads bytes that are one canonical value and nothing else.
func readValue(b []byte) (any, error) {
	x, rest, err := value(b)
	switch {
	case err != nil:
		return nil, err
	case len(rest) > 0:
		return nil, errors.New("something left over")
	case !bytes.Equal(canonical(x), b):
		return nil, errors.New("not the canonical form")
	}
	return x, sane(x)
}

// show writes a plain value for people: JSON, but for binaries (h'…') and for fractions, which keep their point.
func show(x any) string {
	switch x := x.(type) {
	case whole:
		return x.n
	case float64:
		s := strconv.FormatFloat(x, 'g', -1, 64)
		if !strings.ContainsAny(s, ".e") {
			s += ".0"
		}
		return s
	case string:
		return strconv.Quote(x)
	case []byte:
		return "h'" + hex.EncodeToString(x) + "'"
	case []any:
		var parts []string
		for _, e := range x {
			parts = append(parts, show(e))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case map[string]any:
		var parts []string
		for k, e := range x {
			parts = append(parts, strconv.Quote(k)+": "+show(e))
		}
		sort.Strings(parts)
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return fmt.Sprint(x)
}

// plainRecord is a record as this reader sees it.
type plainRecord struct {
	fields []any // the fourteen
	body   map[string]any
}

// readRecord reads a record by FORMAT.md, sections 1 to 3, kinds apart.
func readRecord(b []byte) (plainRecord, error) {
	if len(b) > 65536 {
		return plainRecord{}, errors.New("too large")
	}
	x, err := readValue(b)
	if err != nil {
		return plainRecord{}, err
	}
	list, ok := x.([]any)
	if !ok || len(list) != 14 {
		return plainRecord{}, errors.New("no list of fourteen")
	}
	bad := func(i int) (plainRecord, error) {
		return plainRecord{}, fmt.Errorf("element %d: %s", i, show(list[i-1]))
	}
	bin := func(i int) []byte { p, _ := list[i-1].([]byte); return p }
	text := func(i int) string { s, _ := list[i-1].(string); return s }
	for i, want := range []any{1: []byte{}, 2: "", 3: whole{}, 4: whole{}, 5: whole{}, 6: whole{}, 7: "", 8: "", 9: []byte{}, 10: "", 11: "", 12: "", 13: whole{}, 14: []byte{}} {
		if i > 0 && reflect.TypeOf(list[i-1]) != reflect.TypeOf(want) {
			return bad(i)
		}
	}
	between := func(i int, low, high string) bool {
		n, _ := new(big.Int).SetString(list[i-1].(whole).n, 10)
		l, _ := new(big.Int).SetString(low, 10)
		h, _ := new(big.Int).SetString(high, 10)
		return n.Cmp(l) >= 0 && n.Cmp(h) <= 0
	}
	const most = "18446744073709551615"
	switch {
	case len(bin(1)) != 16 || bin(1)[6]&0xf0 != 0x70 || bin(1)[8]&0xc0 != 0x80:
		return bad(1)
	case !identifier(text(2)):
		return bad(2)
	case !between(3, "1", most):
		return bad(3)
	case !between(4, "0", most):
		return bad(4)
	case !between(5, "-62135596800000", "253402300799999"):
		return bad(5)
	case !between(6, "-1439", "1439"):
		return bad(6)
	case text(7) != "" && !identifier(text(7)):
		return bad(7)
	case text(8) != "" && !identifier(text(8)):
		return bad(8)
	case len(bin(9)) != 0 && (len(bin(9)) != 16 || bytes.Equal(bin(9), make([]byte, 16))):
		return bad(9)
	case text(10) != "" && !identifier(text(10)):
		return bad(10)
	case len(text(11)) > 64:
		return bad(11)
	case !kindForm(text(12)):
		return bad(12)
	case !between(13, "1", "65536"):
		return bad(13)
	}
	body, err := readValue(bin(14))
	if err != nil {
		return plainRecord{}, fmt.Errorf("body: %w", err)
	}
	m, ok := body.(map[string]any)
	if !ok || deep(m) > 8 {
		return bad(14)
	}
	return plainRecord{list, m}, nil
}

func identifier(s string) bool {
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	return len(s) >= 1 && len(s) <= 64 && s != "_" && strings.Trim(s, letters) == "" && strings.IndexFunc(s, func(c rune) bool { return !strings.ContainsRune(letters, c) }) < 0
}

func kindForm(s string) bool {
	words := strings.Split(s, ".")
	if len(words) != 2 || len(s) > 64 {
		return false
	}
	for _, w := range words {
		if w == "" || strings.IndexFunc(w, func(c rune) bool { return (c < 'a' || c > 'z') && c != '-' }) >= 0 {
			return false
		}
	}
	return true
}

func deep(x any) int {
	most := 0
	switch x := x.(type) {
	case []any:
		for _, e := range x {
			most = max(most, deep(e))
		}
	case map[string]any:
		for _, e := range x {
			most = max(most, deep(e))
		}
	default:
		return 0
	}
	return 1 + most
}

// plainField is a field of a kind, as the appendix of FORMAT.md tells it.
type plainField struct {
	form string // of one value
	list bool
	need bool
	of   map[string]plainField // of an object
}

// plainKinds reads the appendix: the fields of each kind and version, by "kind v".
var plainKinds = sync.OnceValues(func() (map[string]map[string]plainField, error) {
	text, err := os.ReadFile(formatFile)
	if err != nil {
		return nil, err
	}
	kinds := map[string]map[string]plainField{}
	_, table, _ := strings.Cut(string(text), "| kind | v | fields |\n| --- | --- | --- |\n")
	for line := range strings.Lines(table) {
		cells := strings.Split(line, " | ")
		if len(cells) != 3 {
			return nil, fmt.Errorf("what is %q?", line)
		}
		fields, rest := plainFields(strings.TrimSuffix(cells[2], " |\n"))
		if rest != "" {
			return nil, fmt.Errorf("%s: what is %q?", line, rest)
		}
		kinds[strings.TrimPrefix(cells[0], "| ")+" "+cells[1]] = fields
	}
	return kinds, nil
})

// plainFields reads "name form, name form" up to the end or a brace.
func plainFields(s string) (map[string]plainField, string) {
	fields := map[string]plainField{}
	for {
		var f plainField
		name, rest, _ := strings.Cut(s, " ")
		s = rest
		s, f.list = strings.CutPrefix(s, "[")
		if inner, object := strings.CutPrefix(s, "{"); object {
			f.form = "object"
			f.of, s = plainFields(inner)
			s = strings.TrimPrefix(s, "}")
		} else {
			n := strings.IndexFunc(s, func(c rune) bool { return c < 'a' || c > 'z' })
			if n < 0 {
				n = len(s)
			}
			f.form, s = s[:n], s[n:]
		}
		if f.list {
			s = strings.TrimPrefix(s, "]")
		}
		s, f.need = strings.CutPrefix(s, "!")
		fields[name] = f
		var more bool
		if s, more = strings.CutPrefix(s, ", "); !more {
			return fields, s
		}
	}
}

// readBody holds the body of a kind that is known to FORMAT.md, section 3. Known is false for others.
func readBody(kind, v string, body map[string]any) (known bool, err error) {
	kinds, err := plainKinds()
	if err != nil {
		panic(err)
	}
	fields, known := kinds[kind+" "+v]
	if !known {
		return false, nil
	}
	return true, readFields(fields, body)
}

func readFields(fields map[string]plainField, m map[string]any) error {
	for name, f := range fields {
		if _, given := m[name]; f.need && !given {
			return errors.New(name + " is needed")
		}
	}
	for name, x := range m {
		f, ok := fields[name]
		if !ok {
			return errors.New("no field " + name)
		}
		values := []any{x}
		if f.list {
			if values, ok = x.([]any); !ok || len(values) < 1 || len(values) > 512 {
				return errors.New(name + " is no list")
			}
		}
		for _, x := range values {
			if !f.fits(x) {
				return fmt.Errorf("%s: %s is no %s", name, show(x), f.form)
			}
		}
	}
	return nil
}

var (
	plainDate = regexp.MustCompile(`^(\d{4})-(\d\d)-(\d\d)`)
	plainTime = regexp.MustCompile(`^T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d{1,9})?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)$`)
)

func plainWhen(s string) bool {
	d := plainDate.FindStringSubmatch(s)
	if d == nil {
		return false
	}
	n := func(s string) int { i, _ := strconv.Atoi(s); return i }
	year, month, day := n(d[1]), n(d[2]), n(d[3])
	days := []int{0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
		days[2] = 29
	}
	if year < 1 || month < 1 || month > 12 || day < 1 || day > days[month] {
		return false
	}
	clock := s[len(d[0]):]
	if clock == "" {
		return true
	}
	if !plainTime.MatchString(clock) {
		return false
	}
	// Within a day of the ends of the years, the zone decides.
	zone := 0
	if i := strings.IndexAny(clock, "+-"); i > 0 {
		zone = n(clock[i+1:i+3])*60 + n(clock[i+4:i+6])
		if clock[i] == '-' {
			zone = -zone
		}
	}
	minute := n(clock[1:3])*60 + n(clock[4:6]) - zone
	return !(year == 1 && month == 1 && day == 1 && minute < 0) && !(year == 9999 && month == 12 && day == 31 && minute >= 24*60)
}

func (f plainField) fits(x any) bool {
	short := func(s string) bool { n := len([]rune(s)); return n >= 1 && n <= 80 }
	bin := func(x any, size int) bool {
		b, ok := x.([]byte)
		return ok && len(b) == size && !bytes.Equal(b, make([]byte, size))
	}
	number := func(x any, low, high string) bool {
		n, ok := x.(whole)
		if !ok {
			return false
		}
		i, _ := new(big.Int).SetString(n.n, 10)
		l, _ := new(big.Int).SetString(low, 10)
		h, _ := new(big.Int).SetString(high, 10)
		return i.Cmp(l) >= 0 && i.Cmp(h) <= 0
	}
	text, isText := x.(string)
	m, isMap := x.(map[string]any)
	switch f.form {
	case "short", "word":
		return isText && short(text)
	case "text":
		return isText && short(text) || bin(x, 32)
	case "code":
		return isText && identifier(text)
	case "when":
		return isText && plainWhen(text)
	case "digest", "hash":
		return bin(x, 32)
	case "visit":
		return bin(x, 16)
	case "fraction":
		_, ok := x.(float64)
		return ok
	case "whole":
		return number(x, "-9223372036854775808", "9223372036854775807")
	case "number":
		return number(x, "1", "18446744073709551615")
	case "truth":
		_, ok := x.(bool)
		return ok
	case "bytes":
		b, ok := x.([]byte)
		return ok && len(b) > 0
	case "body":
		return isMap
	case "target":
		return isMap && readFields(map[string]plainField{"device": {form: "code", need: true}, "hash": {form: "hash", need: true}, "seq": {form: "number", need: true}}, m) == nil
	case "object":
		return isMap && readFields(f.of, m) == nil
	}
	panic("FORMAT.md has a type " + f.form)
}

// agree fails where one reader takes bytes that the other refuses, for a record or for the form of its kind. It tells
// whether both took the record.
func agree(t testing.TB, b []byte) bool {
	t.Helper()
	first, err1 := events.DecodeRecord(b)
	second, err2 := readRecord(b)
	if (err1 == nil) != (err2 == nil) {
		t.Errorf("%x: the first reader says %v, the second %v", b, err1, err2)
	}
	if err1 != nil || err2 != nil {
		return false
	}
	s, known1 := events.SchemaOf(first.Kind, first.V)
	known2, err2 := readBody(second.fields[11].(string), second.fields[12].(whole).n, second.body)
	if known1 != known2 {
		t.Errorf("%s v%d: the first reader knows it: %v, the second: %v", first.Kind, first.V, known1, known2)
	}
	if known1 {
		if err1 := s.CheckForm(first.Body); (err1 == nil) != (err2 == nil) {
			t.Errorf("%s %s: the first reader says %v, the second %v", first.Kind, show(second.body), err1, err2)
		}
	}
	return true
}

// plainBody takes the fields of a body apart by the names in its tags, as the first reader left them.
func plainBody(v reflect.Value) any {
	switch x := v.Interface().(type) {
	case events.Text:
		if x.Plain != "" {
			return x.Plain
		}
		return x.Digest[:]
	case events.Raw:
		m, err := readValue(x)
		if err != nil {
			panic(err)
		}
		return m
	case []byte:
		return x
	case events.Hash:
		return x[:]
	case events.RecordID:
		return x[:]
	}
	switch v.Kind() {
	case reflect.Pointer:
		return plainBody(v.Elem())
	case reflect.Bool:
		return v.Bool()
	case reflect.Int64:
		return intOf(v.Int())
	case reflect.Uint64:
		return uintOf(v.Uint())
	case reflect.Float64:
		return v.Float()
	case reflect.String:
		return v.String()
	case reflect.Slice:
		list := []any{}
		for i := range v.Len() {
			list = append(list, plainBody(v.Index(i)))
		}
		return list
	case reflect.Struct:
		m := map[string]any{}
		for i := range v.NumField() {
			name, needed := strings.CutSuffix(v.Type().Field(i).Tag.Get("f"), ",need")
			if needed || !v.Field(i).IsZero() {
				m[name] = plainBody(v.Field(i))
			}
		}
		return m
	}
	panic("plainBody: " + v.Type().String())
}

// plainEnvelope is a Record of the first reader as the fourteen plain values.
func plainEnvelope(r *events.Record) []any {
	visit := []byte{}
	if !r.Visit.IsZero() {
		visit = r.Visit[:]
	}
	return []any{r.ID[:], string(r.Device), uintOf(uint64(r.Seq)), uintOf(uint64(r.Clock)), intOf(int64(r.Done)), intOf(int64(r.Zone)), string(r.Site), string(r.Machine),
		visit, string(r.By), r.Key, string(r.Kind), intOf(int64(r.V)), r.Body}
}

var compareWhole = cmp.AllowUnexported(whole{})

func TestIndependentReadsGoldens(t *testing.T) {
	for _, g := range goldens(t) {
		t.Run(g.name, func(t *testing.T) {
			second, err := readRecord(g.bytes)
			if err != nil {
				t.Fatal(err)
			}
			if got := sha256.Sum256(append([]byte{0}, g.bytes...)); hex.EncodeToString(got[:]) != g.header["hash"] {
				t.Errorf("hash: got %x, want %s", got, g.header["hash"])
			}
			if got := show(second.body); got != g.header["body"] {
				t.Errorf("body: got %s, want %s", got, g.header["body"])
			}
			for i, name := range map[int]string{1: "device", 2: "seq", 3: "clock", 6: "site", 7: "machine", 9: "by", 10: "key", 11: "kind", 12: "v"} {
				if got := strings.Trim(show(second.fields[i]), `"`); got != g.header[name] {
					t.Errorf("%s: got %s, want %s", name, got, g.header[name])
				}
			}
			first, err := events.DecodeRecord(g.bytes)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(plainEnvelope(&first), second.fields, compareWhole); d != "" {
				t.Errorf("the readers differ (- first, + second):\n%s", d)
			}
			body, err := events.DecodeBody(first.Kind, first.V, first.Body)
			if err != nil {
				t.Fatal(err)
			}
			if known, err := readBody(string(first.Kind), strconv.Itoa(first.V), second.body); !known || err != nil {
				t.Errorf("FORMAT.md knows the kind: %v; %v", known, err)
			}
			if d := cmp.Diff(plainBody(reflect.ValueOf(body)), any(second.body), compareWhole); d != "" {
				t.Errorf("the readers differ in the body (- first, + second):\n%s", d)
			}
		})
	}
}

// TestIndependentAgrees turns bits of golden records: both readers must take the same bytes.
func TestIndependentAgrees(t *testing.T) {
	taken := 0
	for _, g := range goldens(t) {
		b := bytes.Clone(g.bytes)
		for i := range b {
			for _, mask := range []byte{1, 64} {
				b[i] ^= mask
				if agree(t, b) {
					taken++
				}
				b[i] ^= mask
			}
		}
		if t.Failed() {
			return
		}
	}
	if taken == 0 {
		t.Error("no changed record was taken by both: the test shows nothing")
	}
}

// labelledBytes is FORMAT.md, section 5.
func labelledBytes(label string, fields ...[]byte) []byte {
	out := []byte(label)
	for _, f := range fields {
		n := len(f)
		out = append(out, byte(n>>24), byte(n>>16), byte(n>>8), byte(n))
		out = append(out, f...)
	}
	return out
}

func TestIndependentReadsChain(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(goldenDir, "chain.golden"))
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(text), "\n\n")
	if len(blocks) != 4 {
		t.Fatalf("%d blocks, want a header and three records", len(blocks))
	}
	header, _ := parseGolden(t, blocks[0]+"\n\n")
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	// The public key of RFC 8032, section 7.1, test 1.
	if got, want := header["key"], "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"; got != want {
		t.Fatalf("key: got %s, want %s", got, want)
	}
	key := unhex(header["key"])
	link := sha256.Sum256(labelledBytes("ullage.chain.1", []byte(header["device"]), key))
	for n := 0; ; n++ {
		if got := hex.EncodeToString(link[:]); got != header[fmt.Sprint("link ", n)] {
			t.Fatalf("link %d: got %s, want %s", n, got, header[fmt.Sprint("link ", n)])
		}
		if n == 3 {
			break
		}
		record := unhex(blocks[n+1])
		r, err := readRecord(record)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.fields[2]; got != intOf(int64(n+1)) {
			t.Errorf("seq: got %v, want %d", got, n+1)
		}
		h := sha256.Sum256(append([]byte{0}, record...))
		if got := hex.EncodeToString(h[:]); got != header[fmt.Sprint("hash ", n+1)] {
			t.Errorf("hash %d: got %s, want %s", n+1, got, header[fmt.Sprint("hash ", n+1)])
		}
		link = sha256.Sum256(append(append([]byte{2}, link[:]...), h[:]...))
	}
	seen, err := strconv.Unquote(header["seen"])
	if err != nil {
		t.Fatal(err)
	}
	signed := labelledBytes("ullage.seal.1", []byte(header["device"]), []byte{0, 0, 0, 0, 0, 0, 0, 3}, link[:], []byte(seen))
	if !ed25519.Verify(key, signed, unhex(header["seal"])) {
		t.Error("the seal does not hold")
	}
	// And the first implementation agrees, about this seal and about all that are not quite it.
	seal := events.Seal{Seq: 3, Seen: seen, Signature: unhex(header["seal"])}
	if err := events.VerifySeal(key, events.DeviceID(header["device"]), link, seal); err != nil {
		t.Error(err)
	}
}

func parseInt(s string) (int64, error) { return strconv.ParseInt(s, 10, 64) }

func parseUint(s string) (uint64, error) { return strconv.ParseUint(s, 10, 64) }

func hexOf(b []byte) string { return hex.EncodeToString(b) }
