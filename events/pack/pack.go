// Package pack writes and reads the one canonical form of MessagePack that Ullage's records and messages use.
//
// MessagePack lets one value be written in several ways (the number 1 in one byte or in nine). Records are hashed,
// signed and kept for ever, so here every value has exactly one form, and a reader refuses all others:
//
//   - integers in their shortest form; a number that is not negative always in the unsigned family;
//   - fractions as float64 (cb) only; no NaN, no infinity, no negative zero, no float32;
//   - strings, binaries, arrays and maps with the shortest header; strings are valid UTF-8;
//   - no nil, no extension types, nothing after the last value.
//
// The writer is a set of Append functions in the manner of strconv. The Reader keeps the first error and returns zero
// values from then on, so that callers read a whole structure and ask once. No length that stands in the bytes is
// believed before the bytes are there: nothing is allocated for a value that the input is too short to hold.
//
// Source of the forms: the MessagePack specification (msgpack.org); the tests run its published examples.
package pack

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"unicode/utf8"
)

// ErrForm is in every error of a Reader.
var ErrForm = errors.New("not canonical MessagePack")

// Error names the place of the first byte that does not fit.
type Error struct {
	At  int    // offset from the start of the input
	Why string // what stands there and what would be right
}

func (e *Error) Error() string { return fmt.Sprintf("byte %d: %s", e.At, e.Why) }

// Is makes every Error an ErrForm.
func (e *Error) Is(target error) bool { return target == ErrForm }

// AppendUint appends u in its shortest form.
func AppendUint(b []byte, u uint64) []byte {
	switch {
	case u < 0x80:
		return append(b, byte(u))
	case u <= math.MaxUint8:
		return append(b, 0xcc, byte(u))
	case u <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, 0xcd), uint16(u))
	case u <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(b, 0xce), uint32(u))
	}
	return binary.BigEndian.AppendUint64(append(b, 0xcf), u)
}

// AppendInt appends i in its shortest form.
func AppendInt(b []byte, i int64) []byte {
	switch {
	case i >= 0:
		return AppendUint(b, uint64(i))
	case i >= -32:
		return append(b, byte(i))
	case i >= math.MinInt8:
		return append(b, 0xd0, byte(i))
	case i >= math.MinInt16:
		return binary.BigEndian.AppendUint16(append(b, 0xd1), uint16(i))
	case i >= math.MinInt32:
		return binary.BigEndian.AppendUint32(append(b, 0xd2), uint32(i))
	}
	return binary.BigEndian.AppendUint64(append(b, 0xd3), uint64(i))
}

// AppendFloat appends f as a float64. Negative zero is written as zero. NaN and the infinities have no form: the
// caller has refused them before, so one here is a fault of our own.
func AppendFloat(b []byte, f float64) []byte {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		panic("pack.AppendFloat: not a finite number")
	}
	if f == 0 {
		f = 0 // without a sign
	}
	return binary.BigEndian.AppendUint64(append(b, 0xcb), math.Float64bits(f))
}

// AppendBool appends v.
func AppendBool(b []byte, v bool) []byte {
	if v {
		return append(b, 0xc3)
	}
	return append(b, 0xc2)
}

// AppendString appends s, which must be valid UTF-8 (a Reader refuses it otherwise).
func AppendString(b []byte, s string) []byte {
	n := len(s)
	switch {
	case n < 32:
		b = append(b, 0xa0|byte(n))
	case n <= math.MaxUint8:
		b = append(b, 0xd9, byte(n))
	case n <= math.MaxUint16:
		b = binary.BigEndian.AppendUint16(append(b, 0xda), uint16(n))
	default:
		b = binary.BigEndian.AppendUint32(append(b, 0xdb), uint32(n))
	}
	return append(b, s...)
}

// AppendBin appends p as binary.
func AppendBin(b, p []byte) []byte {
	return append(AppendBinHeader(b, len(p)), p...)
}

// AppendBinHeader appends the header of a binary of n bytes, which the caller appends next.
func AppendBinHeader(b []byte, n int) []byte {
	switch {
	case n <= math.MaxUint8:
		return append(b, 0xc4, byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, 0xc5), uint16(n))
	}
	return binary.BigEndian.AppendUint32(append(b, 0xc6), uint32(n))
}

// AppendArray appends the header of an array of n elements, which the caller appends next.
func AppendArray(b []byte, n int) []byte {
	switch {
	case n < 16:
		return append(b, 0x90|byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, 0xdc), uint16(n))
	}
	return binary.BigEndian.AppendUint32(append(b, 0xdd), uint32(n))
}

// AppendMap appends the header of a map of n pairs, which the caller appends next.
func AppendMap(b []byte, n int) []byte {
	switch {
	case n < 16:
		return append(b, 0x80|byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, 0xde), uint16(n))
	}
	return binary.BigEndian.AppendUint32(append(b, 0xdf), uint32(n))
}

// Type is what a value is, told by its first byte.
type Type uint8

// The types that the canonical form knows. Other stands for what it refuses, and for the end of the input.
const (
	Other Type = iota
	Bool
	Uint
	Int // negative
	Float
	String
	Bin
	Array
	Map
)

func (t Type) String() string {
	return [...]string{"something else", "a truth value", "a number without sign", "a negative number", "a fraction", "a string", "a binary", "an array", "a map"}[t]
}

func typeOf(c byte) Type {
	switch {
	case c < 0x80 || c >= 0xcc && c <= 0xcf:
		return Uint
	case c < 0x90 || c == 0xde || c == 0xdf:
		return Map
	case c < 0xa0 || c == 0xdc || c == 0xdd:
		return Array
	case c < 0xc0 || c >= 0xd9 && c <= 0xdb:
		return String
	case c == 0xc2 || c == 0xc3:
		return Bool
	case c >= 0xc4 && c <= 0xc6:
		return Bin
	case c == 0xcb:
		return Float
	case c >= 0xe0 || c >= 0xd0 && c <= 0xd3:
		return Int
	}
	return Other
}

// Reader reads values from one input, from front to back. Its zero value reads nothing; make one with NewReader.
type Reader struct {
	b   []byte
	off int
	err error
}

// NewReader reads from b, which stays the caller's and is not changed. Bin returns parts of it.
func NewReader(b []byte) *Reader { return &Reader{b: b} }

// Reset makes r read from b.
func (r *Reader) Reset(b []byte) { *r = Reader{b: b} }

// Offset is the place of the next byte.
func (r *Reader) Offset() int { return r.off }

// Err is the first error, or nil.
func (r *Reader) Err() error { return r.err }

// Failf keeps an error at the present place unless there is one already; callers use it for rules of their own.
func (r *Reader) Failf(format string, a ...any) { r.failAt(r.off, format, a...) }

func (r *Reader) failAt(at int, format string, a ...any) {
	if r.err == nil {
		r.err = &Error{at, fmt.Sprintf(format, a...)}
	}
}

// Done returns the first error; bytes that are left over are one.
func (r *Reader) Done() error {
	if r.err == nil && r.off < len(r.b) {
		r.Failf("%d bytes left over after the last value", len(r.b)-r.off)
	}
	return r.err
}

// Next tells the type of the next value without reading it.
func (r *Reader) Next() Type {
	if r.err != nil || r.off >= len(r.b) {
		return Other
	}
	return typeOf(r.b[r.off])
}

// take returns the next n bytes, or nil with an error kept.
func (r *Reader) take(n int) []byte {
	if r.err != nil {
		return nil
	}
	if n < 0 || n > len(r.b)-r.off {
		r.Failf("the input ends too early: %d bytes wanted, %d are there", n, len(r.b)-r.off)
		return nil
	}
	p := r.b[r.off : r.off+n]
	r.off += n
	return p
}

// head takes the first byte of a value that must be of type t.
func (r *Reader) head(t Type) (byte, bool) {
	if r.err != nil {
		return 0, false
	}
	if r.off >= len(r.b) {
		r.Failf("the input ends where %s should stand", t)
		return 0, false
	}
	c := r.b[r.off]
	if typeOf(c) != t {
		r.Failf("%s should stand here, not the byte %#02x", t, c)
		return 0, false
	}
	r.off++
	return c, true
}

// wide reads a big-endian number of n bytes that must be at least least: a smaller one has a shorter form.
func (r *Reader) wide(n int, least uint64) uint64 {
	p := r.take(n)
	if p == nil {
		return 0
	}
	var u uint64
	for _, c := range p {
		u = u<<8 | uint64(c)
	}
	if u < least {
		r.failAt(r.off-n-1, "%d is not in its shortest form", u)
		return 0
	}
	return u
}

// Uint reads an integer that is not negative.
func (r *Reader) Uint() uint64 {
	c, ok := r.head(Uint)
	if !ok {
		return 0
	}
	switch c {
	case 0xcc:
		return r.wide(1, 0x80)
	case 0xcd:
		return r.wide(2, math.MaxUint8+1)
	case 0xce:
		return r.wide(4, math.MaxUint16+1)
	case 0xcf:
		return r.wide(8, math.MaxUint32+1)
	}
	return uint64(c)
}

// Int reads an integer of either sign.
func (r *Reader) Int() int64 {
	if r.Next() == Uint {
		at := r.off
		u := r.Uint()
		if u > math.MaxInt64 {
			r.failAt(at, "%d is too large", u)
			return 0
		}
		return int64(u)
	}
	c, ok := r.head(Int)
	if !ok {
		return 0
	}
	var n int
	var most int64 // a larger number has a shorter form
	switch c {
	case 0xd0:
		n, most = 1, -33
	case 0xd1:
		n, most = 2, math.MinInt8-1
	case 0xd2:
		n, most = 4, math.MinInt16-1
	case 0xd3:
		n, most = 8, math.MinInt32-1
	default:
		return int64(int8(c))
	}
	u := r.wide(n, 0)
	i := int64(u<<(64-8*n)) >> (64 - 8*n)
	if r.err == nil && i > most {
		r.failAt(r.off-n-1, "%d is not in its shortest form", i)
		return 0
	}
	return i
}

// Float reads a float64.
func (r *Reader) Float() float64 {
	at := r.off
	if _, ok := r.head(Float); !ok {
		return 0
	}
	p := r.take(8)
	if p == nil {
		return 0
	}
	f := math.Float64frombits(binary.BigEndian.Uint64(p))
	switch {
	case math.IsNaN(f) || math.IsInf(f, 0):
		r.failAt(at, "a fraction must be finite")
		return 0
	case f == 0 && math.Signbit(f):
		r.failAt(at, "zero has no sign")
		return 0
	}
	return f
}

// Bool reads a truth value.
func (r *Reader) Bool() bool {
	c, _ := r.head(Bool)
	return c == 0xc3
}

// StringBytes reads a string and returns its bytes, a part of the input.
func (r *Reader) StringBytes() []byte {
	c, ok := r.head(String)
	if !ok {
		return nil
	}
	var n uint64
	switch c {
	case 0xd9:
		n = r.wide(1, 32)
	case 0xda:
		n = r.wide(2, math.MaxUint8+1)
	case 0xdb:
		n = r.wide(4, math.MaxUint16+1)
	default:
		n = uint64(c & 0x1f)
	}
	p := r.take(int(n))
	if p != nil && !ascii(p) && !utf8.Valid(p) {
		r.failAt(r.off-len(p), "a string must be valid UTF-8")
		return nil
	}
	return p
}

func ascii(p []byte) bool {
	for _, c := range p {
		if c >= 0x80 {
			return false
		}
	}
	return true
}

// String reads a string.
func (r *Reader) String() string { return string(r.StringBytes()) }

// Bin reads a binary and returns a part of the input.
func (r *Reader) Bin() []byte {
	c, ok := r.head(Bin)
	if !ok {
		return nil
	}
	var n uint64
	switch c {
	case 0xc4:
		n = r.wide(1, 0)
	case 0xc5:
		n = r.wide(2, math.MaxUint8+1)
	default:
		n = r.wide(4, math.MaxUint16+1)
	}
	return r.take(int(n))
}

// Array reads the header of an array of at most most elements.
func (r *Reader) Array(most int) int {
	c, ok := r.head(Array)
	if !ok {
		return 0
	}
	var n uint64
	switch c {
	case 0xdc:
		n = r.wide(2, 16)
	case 0xdd:
		n = r.wide(4, math.MaxUint16+1)
	default:
		n = uint64(c & 0x0f)
	}
	return r.count(n, most, 1)
}

// Map reads the header of a map of at most most pairs.
func (r *Reader) Map(most int) int {
	c, ok := r.head(Map)
	if !ok {
		return 0
	}
	var n uint64
	switch c {
	case 0xde:
		n = r.wide(2, 16)
	case 0xdf:
		n = r.wide(4, math.MaxUint16+1)
	default:
		n = uint64(c & 0x0f)
	}
	return r.count(n, most, 2)
}

// count checks a number of elements against the caller's limit and against the bytes that are left, each element
// taking at least size of them.
func (r *Reader) count(n uint64, most, size int) int {
	switch {
	case r.err != nil:
		return 0
	case n > uint64(most):
		r.Failf("%d elements, at most %d are allowed", n, most)
		return 0
	case n > uint64((len(r.b)-r.off)/size):
		r.Failf("the input ends too early for %d elements", n)
		return 0
	}
	return int(n)
}

// Skip reads one value of any type, with arrays and maps nested at most depth deep, and returns its bytes. Maps must
// have string keys in ascending order of bytes, none repeated: that is the only form in which we write them.
func (r *Reader) Skip(depth int) []byte {
	from := r.off
	switch r.Next() {
	case Bool:
		r.Bool()
	case Uint:
		r.Uint()
	case Int:
		r.Int()
	case Float:
		r.Float()
	case String:
		r.StringBytes()
	case Bin:
		r.Bin()
	case Array:
		if depth <= 0 {
			r.Failf("nested too deep")
			break
		}
		for n := r.Array(math.MaxInt); n > 0 && r.err == nil; n-- {
			r.Skip(depth - 1)
		}
	case Map:
		if depth <= 0 {
			r.Failf("nested too deep")
			break
		}
		n := r.Map(math.MaxInt)
		var keys Keys
		for ; n > 0 && r.err == nil; n-- {
			keys.Next(r)
			r.Skip(depth - 1)
		}
	default:
		if r.err == nil && r.off >= len(r.b) {
			r.Failf("the input ends where a value should stand")
		}
		r.Failf("no value may begin with this byte")
	}
	if r.err != nil {
		return nil
	}
	return r.b[from:r.off]
}

// Keys reads the keys of one map and holds them to ascending order.
type Keys struct {
	last []byte
	any  bool
}

// Next reads the next key of the map; the order of bytes must ascend.
func (k *Keys) Next(r *Reader) []byte {
	at := r.off
	p := r.StringBytes()
	if r.err != nil {
		return nil
	}
	if k.any && string(p) <= string(k.last) {
		r.failAt(at, "key %q does not come after %q", p, k.last)
		return nil
	}
	k.last, k.any = p, true
	return p
}
