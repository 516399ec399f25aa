package wire

import (
	"bytes"
	"encoding/binary"
	"maps"
	"math"
	"slices"

	"ullage/events"
	"ullage/events/pack"
)

// Folding turns a list of records on its side: what is alike stands together, and what a record has in common with the
// one before it is not said again. zstd by itself sees a record's fields interleaved and makes little of them. Folding
// loses nothing: a record is taken apart only where it is canonical, and what has one form can be put together again.
// A piece that is no record of that kind travels as it is. FORMAT.md gives the bytes.

// The columns of a folded list, in their order. What cannot be compressed stands last, in a frame of its own.
const (
	colForms      = iota // forms that the dictionary lacks
	colTexts             // texts that the dictionary lacks
	colForm              // of each piece, the number of its form; 0 for a piece that travels as it is
	colLow               // of each record, its flags: the low byte
	colHigh              // … and the high one
	colClock             // clocks that are not the next
	colDone              // times that are not the clock's
	colNumber            // seq, time of the id, zone, where they are not the expected ones
	colVisit             // visits, where they change
	colText              // device, site, machine, by, where they change; key, where there is one
	colBodyText          // texts in bodies
	colBodyNumber        // numbers and truth values in bodies
	colBodyVisit         // visits in bodies
	colOdd               // the pieces that travel as they are
	colIDs               // of each record, the random part of its id
	colVisits            // each visit, once
	colSums              // binaries of 32 bytes in bodies
	columns
)

const firstRandom = colIDs

// Flags of a record. Where one is not set, the record is as the one before lets expect.
const (
	flagSeq     = 1 << iota // given; else the next
	flagClock               // given; else the next
	flagTime                // the time in the id is given; else it is the clock's
	flagAtClock             // done is the clock's time; else it is given,
	flagMillis              // in milliseconds, or else in seconds
	flagZone                // from here on: given; else as before
	flagDevice
	flagSite
	flagMachine
	flagBy
	flagKey // given; else empty
	flagVisit
	flagsEnd

	idBits   = 12 // above the flags, two bits of the id
	allFlags = flagsEnd<<2 - 1
)

// envelope is what a record has beside its body.
type envelope struct {
	id, visit                            []byte
	device, site, machine, by, key, kind string
	seq, clock, v                        uint64
	done, zone                           int64
}

const envelopeFields = 14

// readEnvelope takes a record apart; false where it has not the form of one.
func readEnvelope(b []byte) (e envelope, body []byte, ok bool) {
	if len(b) > events.MaxRecord {
		return envelope{}, nil, false
	}
	var in pack.Reader
	in.Reset(b)
	if in.Array(envelopeFields) != envelopeFields {
		return envelope{}, nil, false
	}
	e.id, e.device, e.seq, e.clock, e.done, e.zone = in.Bin(), in.String(), in.Uint(), in.Uint(), in.Int(), in.Int()
	e.site, e.machine, e.visit, e.by, e.key = in.String(), in.String(), in.Bin(), in.String(), in.String()
	e.kind, e.v, body = in.String(), in.Uint(), in.Bin()
	if in.Done() != nil || len(e.id) != 16 || !events.RecordID(e.id).Valid() || len(e.visit) != 0 && len(e.visit) != 16 {
		return envelope{}, nil, false
	}
	return e, body, true
}

// appendEnvelope is the inverse of readEnvelope.
func appendEnvelope(b []byte, e *envelope, body []byte) []byte {
	b = pack.AppendArray(b, envelopeFields)
	b = pack.AppendBin(b, e.id)
	b = pack.AppendString(b, e.device)
	b = pack.AppendUint(b, e.seq)
	b = pack.AppendUint(b, e.clock)
	b = pack.AppendInt(b, e.done)
	b = pack.AppendInt(b, e.zone)
	b = pack.AppendString(b, e.site)
	b = pack.AppendString(b, e.machine)
	b = pack.AppendBin(b, e.visit)
	b = pack.AppendString(b, e.by)
	b = pack.AppendString(b, e.key)
	b = pack.AppendString(b, e.kind)
	b = pack.AppendUint(b, e.v)
	return pack.AppendBin(b, body)
}

// Types of the values in a body, as its form has them.
const (
	isMap   = 'm'
	isList  = 'l'
	isText  = 't'
	isFloat = 'f'
	isUint  = 'u'
	isMinus = 'i' // a negative number
	isBool  = 'b'
	isVisit = 'v' // a binary of 16 bytes
	isSum   = 's' // a binary of 32 bytes
)

// value is one value in a body; where it stands there, the form says.
type value struct {
	is    byte
	text  string
	bytes []byte // of visits and sums
	n     uint64 // of numbers and truth values; of a fraction, its bits
}

// split takes a value of a body apart: its form is appended to form, the values in it to values.
func split(in *pack.Reader, form []byte, values []value, depth int) ([]byte, []value) {
	var v value
	switch in.Next() {
	case pack.Map, pack.Array:
		return splitNested(in, form, values, depth)
	case pack.String:
		v = value{is: isText, text: in.String()}
	case pack.Float:
		v = value{is: isFloat, n: math.Float64bits(in.Float())}
	case pack.Uint:
		v = value{is: isUint, n: in.Uint()}
	case pack.Int:
		v = value{is: isMinus, n: uint64(-1 - in.Int())}
	case pack.Bool:
		v = value{is: isBool}
		if in.Bool() {
			v.n = 1
		}
	case pack.Bin:
		v = value{is: isVisit, bytes: in.Bin()}
		switch len(v.bytes) {
		case 16:
		case 32:
			v.is = isSum
		default:
			in.Failf("a binary of %d bytes is not folded", len(v.bytes))
		}
	default:
		in.Failf("no value may begin with this byte")
	}
	return append(form, v.is), append(values, v)
}

func splitNested(in *pack.Reader, form []byte, values []value, depth int) ([]byte, []value) {
	if depth == 0 {
		in.Failf("nested too deep")
		return form, values
	}
	is, n := byte(isMap), 0
	if in.Next() == pack.Map {
		n = in.Map(events.MaxRecord)
	} else {
		is, n = isList, in.Array(events.MaxRecord)
	}
	form = binary.AppendUvarint(append(form, is), uint64(n))
	for range n {
		if is == isMap {
			form = AppendPiece(form, in.StringBytes())
		}
		if in.Err() != nil {
			break
		}
		form, values = split(in, form, values, depth-1)
	}
	return form, values
}

// appendValue appends a value to a body.
func appendValue(b []byte, v value) []byte {
	switch v.is {
	case isText:
		return pack.AppendString(b, v.text)
	case isFloat:
		return pack.AppendFloat(b, math.Float64frombits(v.n))
	case isUint:
		return pack.AppendUint(b, v.n)
	case isMinus:
		return pack.AppendInt(b, -1-int64(v.n))
	case isBool:
		return pack.AppendBool(b, v.n == 1)
	}
	return pack.AppendBin(b, v.bytes)
}

// appendFraction appends a fraction as a whole number with a power of ten, where that is exactly it: what people read
// off has three places at most, but takes eight bytes that look like chance.
func appendFraction(b []byte, bits uint64) []byte {
	if f := math.Float64frombits(bits); f >= 0 && f < 1<<40 {
		for places, power := range powers {
			if m := math.Round(f * power); m/power == f {
				return binary.AppendUvarint(b, uint64(m)<<2|uint64(places))
			}
		}
	}
	return binary.BigEndian.AppendUint64(append(b, asBits), bits)
}

var powers = [...]float64{1, 10, 100, 1000}

// asBits says that the eight bytes of the fraction follow. It would be nought with three places.
const asBits = 3

func zigzag(i int64) uint64   { return uint64(i)<<1 ^ uint64(i>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// folder folds the pieces of one list.
type folder struct {
	dict   *dictionary
	col    [columns][]byte
	forms  map[string]int    // new ones, and their numbers
	texts  map[string]uint64 // likewise
	visits map[string]uint64
	rows   map[int][][]value // by form, the values of each of its records
	last   envelope
}

// fold folds pieces. Its inverse is unfold.
func fold(pieces [][]byte, dict *dictionary) *folder {
	f := &folder{dict: dict, forms: map[string]int{}, texts: map[string]uint64{}, visits: map[string]uint64{}, rows: map[int][][]value{}}
	for _, p := range pieces {
		f.piece(p)
	}
	for _, n := range slices.Sorted(maps.Keys(f.rows)) {
		f.bodies(f.rows[n])
	}
	return f
}

func (f *folder) piece(p []byte) {
	e, body, ok := readEnvelope(p)
	var form []byte
	var values []value
	if ok {
		in := pack.NewReader(body)
		form = binary.AppendUvarint(AppendPiece(nil, []byte(e.kind)), e.v)
		form, values = split(in, form, nil, events.MaxDepth)
		ok = in.Done() == nil
	}
	if !ok {
		f.uint(colForm, 0)
		f.col[colOdd] = AppendPiece(f.col[colOdd], p)
		return
	}
	n := f.form(form)
	f.uint(colForm, uint64(n))
	f.rows[n] = append(f.rows[n], values)
	flags := f.chain(&e) | f.about(&e)
	f.col[colLow] = append(f.col[colLow], byte(flags))
	f.col[colHigh] = append(f.col[colHigh], byte(flags>>8))
	f.last = e
}

// chain writes what identifies, numbers and dates a record.
func (f *folder) chain(e *envelope) (flags int) {
	if e.seq != f.last.seq+1 {
		flags |= flagSeq
		f.uint(colNumber, e.seq)
	}
	if e.clock != f.last.clock+1 {
		flags |= flagClock
		f.uint(colClock, zigzag(int64(e.clock>>16-f.last.clock>>16)))
		f.uint(colClock, e.clock&0xffff)
	}
	if at := timeOf(e.clock); !bytes.Equal(e.id[:6], at[:]) {
		flags |= flagTime
		f.col[colNumber] = append(f.col[colNumber], e.id[:6]...)
	}
	// Of the ten bytes after the time, six bits are the same in every id.
	flags |= int(e.id[6]&3) << idBits
	f.col[colIDs] = append(f.col[colIDs], e.id[6]<<4&0xc0|e.id[8]&0x3f, e.id[7])
	f.col[colIDs] = append(f.col[colIDs], e.id[9:]...)
	switch d := e.done - f.last.done; {
	case e.done == int64(e.clock>>16):
		flags |= flagAtClock
	case d%1000 == 0:
		f.uint(colDone, zigzag(d/1000))
	default:
		flags |= flagMillis
		f.uint(colDone, zigzag(d))
	}
	if e.zone != f.last.zone {
		flags |= flagZone
		f.uint(colNumber, zigzag(e.zone))
	}
	return flags
}

// timeOf is a clock's time as an id has it.
func timeOf(clock uint64) (at [6]byte) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], clock)
	copy(at[:], b[:])
	return at
}

// about writes whom and what a record concerns.
func (f *folder) about(e *envelope) (flags int) {
	for _, t := range [...]struct {
		flag      int
		now, last string
	}{
		{flagDevice, e.device, f.last.device}, {flagSite, e.site, f.last.site}, {flagMachine, e.machine, f.last.machine},
		{flagBy, e.by, f.last.by}, {flagKey, e.key, ""},
	} {
		if t.now != t.last {
			flags |= t.flag
			f.uint(colText, f.text(t.now))
		}
	}
	if !bytes.Equal(e.visit, f.last.visit) {
		flags |= flagVisit
		f.uint(colVisit, f.visit(e.visit))
	}
	return flags
}

// bodies writes the values of all records of one form: place by place, and in each the records in order.
func (f *folder) bodies(rows [][]value) {
	for i := range rows[0] {
		for _, row := range rows {
			switch v := row[i]; v.is {
			case isText:
				f.uint(colBodyText, f.text(v.text))
			case isVisit:
				f.uint(colBodyVisit, f.visit(v.bytes))
			case isSum:
				f.col[colSums] = append(f.col[colSums], v.bytes...)
			case isFloat:
				f.col[colBodyNumber] = appendFraction(f.col[colBodyNumber], v.n)
			default:
				f.uint(colBodyNumber, v.n)
			}
		}
	}
}

func (f *folder) uint(col int, u uint64) { f.col[col] = binary.AppendUvarint(f.col[col], u) }

// form is the number of a form, from 1: those of the dictionary come first, then those of this list.
func (f *folder) form(form []byte) int {
	if n, ok := f.dict.formOf[string(form)]; ok {
		return n
	}
	n, ok := f.forms[string(form)]
	if !ok {
		n = len(f.dict.shapes) + len(f.forms) + 1
		f.forms[string(form)] = n
		f.col[colForms] = AppendPiece(f.col[colForms], form)
	}
	return n
}

// text is the number of a text: 0 for the empty one, then those of the dictionary, then those of this list.
func (f *folder) text(text string) uint64 {
	if text == "" {
		return 0
	}
	if n, ok := f.dict.textOf[text]; ok {
		return n
	}
	n, ok := f.texts[text]
	if !ok {
		n = uint64(len(f.dict.texts) + len(f.texts) + 1)
		f.texts[text] = n
		f.col[colTexts] = AppendPiece(f.col[colTexts], []byte(text))
	}
	return n
}

// visit is the number of a visit in this list; 0 for none.
func (f *folder) visit(visit []byte) uint64 {
	if len(visit) == 0 {
		return 0
	}
	n, ok := f.visits[string(visit)]
	if !ok {
		n = uint64(len(f.visits) + 1)
		f.visits[string(visit)] = n
		f.col[colVisits] = append(f.col[colVisits], visit...)
	}
	return n
}

// content is the folded list, in two parts: what compresses and what does not. ok is false where the list needs larger
// tables than a reader has.
func (f *folder) content() (dense, random []byte, ok bool) {
	for _, c := range f.col[:firstRandom] {
		dense = AppendPiece(dense, c)
	}
	for _, c := range f.col[firstRandom:] {
		random = AppendPiece(random, c)
	}
	return dense, random, len(f.col[colForms]) <= maxNewForms && len(f.texts) <= maxNewTexts
}
