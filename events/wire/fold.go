package wire

import (
	"bytes"
	"encoding/binary"
	"math"

	"ullage/events"
	"ullage/events/pack"
)

// Folding turns a list of records on its side: what is alike stands together, and what a record has in common with the
// one before it is not said again. zstd by itself sees a record's fields interleaved and makes little of them. Folding
// loses nothing: a record is taken apart only where it is canonical, and what has one form can be put together again.
// A piece that is no record of that kind travels as it is. FORMAT.md gives the bytes.

// The columns of a folded list, in their order.
const (
	colForms   = iota // forms that the dictionary lacks
	colTexts          // texts that the dictionary lacks
	colForm           // of each piece: its form; 0 for a piece as it is
	colLow            // of each record: flags
	colHigh           // of each record: flags
	colClock          // where it is not the next
	colDone           // where it is not the clock's time
	colNumber         // seq, time of the id, zone: where they are not the expected ones
	colVisit          // visits, where they change
	colText           // device, site, machine, by: where they change; key: where there is one
	colTexts2         // texts in bodies
	colNumbers        // numbers and truth values in bodies
	colVisits2        // visits in bodies
	colOdd            // pieces as they are
	colIDs            // random part of ids: from here on nothing can be compressed
	colVisits         // each visit once
	colSums           // binaries of 32 bytes in bodies
	columns
)

// Flags of a record.
const (
	flagDevice = 1 << iota // device is given; else that of the record before
	flagSeq                // seq is given; else the next
	flagClock              // clock is given; else the next
	flagTime               // time of the id is given; else the clock's
	flagAtClock            // done is the clock's time; else it is given
	flagMillis             // done is given in milliseconds; else in seconds
	flagZone
	flagSite
	flagMachine
	flagVisit
	flagBy
	flagKey
	idBits = 12 // two bits of the id stand here
)

// envelope is a record taken apart, its texts parts of it.
type envelope struct {
	id, visit                             []byte
	device, site, machine, by, key, kind  []byte
	seq, clock, v                         uint64
	done, zone                            int64
	body                                  []byte
}

const envelopeFields = 14

// readEnvelope takes a record apart; false where the envelope has not the form of one.
func readEnvelope(b []byte) (e envelope, ok bool) {
	if len(b) > events.MaxRecord {
		return e, false
	}
	var in pack.Reader
	in.Reset(b)
	if in.Array(envelopeFields) != envelopeFields {
		return e, false
	}
	e.id, e.device, e.seq, e.clock, e.done, e.zone = in.Bin(), in.StringBytes(), in.Uint(), in.Uint(), in.Int(), in.Int()
	e.site, e.machine, e.visit, e.by, e.key = in.StringBytes(), in.StringBytes(), in.Bin(), in.StringBytes(), in.StringBytes()
	e.kind, e.v, e.body = in.StringBytes(), in.Uint(), in.Bin()
	if in.Done() != nil || len(e.id) != 16 || !events.RecordID(e.id).Valid() || len(e.visit) != 0 && len(e.visit) != 16 {
		return envelope{}, false
	}
	return e, true
}

// Types of the values in a body, as a form has them.
const (
	isMap    = 'm'
	isList   = 'l'
	isText   = 't'
	isFloat  = 'f'
	isUint   = 'u'
	isMinus  = 'i' // a negative number
	isBool   = 'b'
	isVisit  = 'v' // a binary of 16 bytes
	isSum    = 's' // a binary of 32 bytes
)

// value is one value of a body, its place in the body being its form's.
type value struct {
	is    byte
	bytes []byte // of texts, visits and sums
	n     uint64 // of the others: the number, or the bits of a fraction
}

// split takes one value apart into its form, which it appends, and its values.
func split(in *pack.Reader, form []byte, values []value, depth int) ([]byte, []value) {
	one := func(is byte, p []byte, n uint64) ([]byte, []value) {
		return append(form, is), append(values, value{is, p, n})
	}
	switch in.Next() {
	case pack.Map, pack.Array:
		return splitNested(in, form, values, depth)
	case pack.String:
		return one(isText, in.StringBytes(), 0)
	case pack.Float:
		return one(isFloat, nil, math.Float64bits(in.Float()))
	case pack.Uint:
		return one(isUint, nil, in.Uint())
	case pack.Int:
		return one(isMinus, nil, uint64(-1-in.Int()))
	case pack.Bool:
		if in.Bool() {
			return one(isBool, nil, 1)
		}
		return one(isBool, nil, 0)
	case pack.Bin:
		switch p := in.Bin(); len(p) {
		case 16:
			return one(isVisit, p, 0)
		case 32:
			return one(isSum, p, 0)
		}
	}
	in.Failf("a value that is not folded")
	return form, values
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

// appendFraction appends a fraction as whole number and power of ten, where that is exactly it.
//
// A number that people read off has at most three places; as a float64 it takes eight bytes that look like chance.
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

const asBits = 3 // nought with three places: the eight bytes of the fraction follow

func zigzag(i int64) uint64   { return uint64(i)<<1 ^ uint64(i>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// folder folds the pieces of one list.
type folder struct {
	dict   *dictionary
	col    [columns][]byte
	forms  map[string]int // that are new, with their numbers
	texts  map[string]int
	visits map[string]int
	rows   map[int][][]value // the values of each record, by form
	order  []int             // forms that occur
	last   envelope
}

// fold folds pieces. Its inverse is unfold.
func fold(pieces [][]byte, dict *dictionary) *folder {
	f := &folder{dict: dict, forms: map[string]int{}, texts: map[string]int{}, visits: map[string]int{}, rows: map[int][][]value{}}
	for _, p := range pieces {
		f.piece(p)
	}
	f.bodies()
	return f
}

func (f *folder) piece(p []byte) {
	e, ok := readEnvelope(p)
	var form []byte
	var values []value
	if ok {
		in := pack.NewReader(e.body)
		form = binary.AppendUvarint(AppendPiece(nil, e.kind), e.v)
		form, values = split(in, form, nil, events.MaxDepth)
		ok = in.Done() == nil
	}
	if !ok {
		f.col[colForm] = append(f.col[colForm], 0)
		f.col[colOdd] = AppendPiece(f.col[colOdd], p)
		return
	}
	n := f.form(form)
	f.col[colForm] = binary.AppendUvarint(f.col[colForm], uint64(n))
	if f.rows[n] == nil {
		f.order = append(f.order, n)
	}
	f.rows[n] = append(f.rows[n], values)
	flags := f.chain(&e) | f.about(&e)
	f.col[colLow] = append(f.col[colLow], byte(flags))
	f.col[colHigh] = append(f.col[colHigh], byte(flags>>8))
	f.last = e
}

// chain writes what numbers and dates a record.
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
	var at [8]byte
	binary.BigEndian.PutUint64(at[:], e.clock)
	if !bytes.Equal(e.id[:6], at[:6]) {
		flags |= flagTime
		f.col[colNumber] = append(f.col[colNumber], e.id[:6]...)
	}
	// Of the ten bytes after the time, six bits are always the same.
	flags |= int(e.id[6]&3) << idBits
	f.col[colIDs] = append(append(f.col[colIDs], e.id[6]<<4&0xc0|e.id[8]&0x3f, e.id[7]), e.id[9:]...)
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

// about writes whom and what a record concerns.
func (f *folder) about(e *envelope) (flags int) {
	for _, t := range [...]struct {
		flag      int
		now, last []byte
	}{
		{flagDevice, e.device, f.last.device}, {flagSite, e.site, f.last.site}, {flagMachine, e.machine, f.last.machine},
		{flagBy, e.by, f.last.by}, {flagKey, e.key, nil},
	} {
		if !bytes.Equal(t.now, t.last) {
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

// bodies writes the values of the bodies: form by form, place by place, record by record.
func (f *folder) bodies() {
	sortInts(f.order)
	for _, n := range f.order {
		rows := f.rows[n]
		for i := range rows[0] {
			for _, row := range rows {
				switch v := row[i]; v.is {
				case isText:
					f.uint(colTexts2, f.text(v.bytes))
				case isVisit:
					f.uint(colVisits2, f.visit(v.bytes))
				case isSum:
					f.col[colSums] = append(f.col[colSums], v.bytes...)
				case isFloat:
					f.col[colNumbers] = appendFraction(f.col[colNumbers], v.n)
				default:
					f.uint(colNumbers, v.n)
				}
			}
		}
	}
}

func (f *folder) uint(col int, u uint64) { f.col[col] = binary.AppendUvarint(f.col[col], u) }

// form is the number of a form, from 1: first those of the dictionary, then those of this list.
func (f *folder) form(form []byte) int {
	if n, ok := f.dict.formOf[string(form)]; ok {
		return n
	}
	n, ok := f.forms[string(form)]
	if !ok {
		n = len(f.dict.forms) + len(f.forms) + 1
		f.forms[string(form)] = n
		f.col[colForms] = AppendPiece(f.col[colForms], form)
	}
	return n
}

// text is the number of a text: 0 for the empty one, then as with form.
func (f *folder) text(text []byte) uint64 {
	if len(text) == 0 {
		return 0
	}
	if n, ok := f.dict.textOf[string(text)]; ok {
		return uint64(n)
	}
	n, ok := f.texts[string(text)]
	if !ok {
		n = len(f.dict.texts) + len(f.texts) + 1
		f.texts[string(text)] = n
		f.col[colTexts] = AppendPiece(f.col[colTexts], text)
	}
	return uint64(n)
}

// visit is the number of a visit in this list; 0 for none.
func (f *folder) visit(visit []byte) uint64 {
	if len(visit) == 0 {
		return 0
	}
	n, ok := f.visits[string(visit)]
	if !ok {
		n = len(f.visits) + 1
		f.visits[string(visit)] = n
		f.col[colVisits] = append(f.col[colVisits], visit...)
	}
	return uint64(n)
}

// frames are the two parts of the folded list: what compresses, and what does not.
func (f *folder) frames() (dense, random []byte) {
	for _, c := range f.col[:colIDs] {
		dense = AppendPiece(dense, c)
	}
	for _, c := range f.col[colIDs:] {
		random = AppendPiece(random, c)
	}
	return dense, random
}
