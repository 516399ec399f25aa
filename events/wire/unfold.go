package wire

import (
	"encoding/binary"
	"fmt"
	"math"

	"ullage/events"
	"ullage/events/pack"
)

// Limits of a folded list, beside that of what it unfolds to: they bound the tables that unfolding needs.
const (
	maxNewForms = 256 << 10 // bytes of forms that the dictionary lacks
	maxNewTexts = 64 << 10  // number of texts that the dictionary lacks
)

// shape is a form made ready for writing: the bytes between the values, and the types of those.
type shape struct {
	kind    string
	v       uint64
	between [][]byte // one more than values
	values  []byte
}

// readShape reads a form; false where it is none.
func readShape(form []byte) (*shape, bool) {
	in := column{b: form}
	s := &shape{kind: string(in.piece()), v: in.uint()}
	end := s.read(&in, nil, events.MaxDepth)
	s.between = append(s.between, end)
	return s, in.done()
}

// read reads the form of one value; literal is what stands before it and is not in between yet.
func (s *shape) read(in *column, literal []byte, depth int) []byte {
	is := in.byte()
	switch is {
	case isMap, isList:
	case isText, isFloat, isUint, isMinus, isBool, isVisit, isSum:
		s.between, s.values = append(s.between, literal), append(s.values, is)
		return nil
	default:
		in.failed = true
		return literal
	}
	n := in.index(len(in.b) - in.at) // each element takes a byte at least
	if in.failed = in.failed || depth == 0; in.failed {
		return literal
	}
	if is == isMap {
		literal = pack.AppendMap(literal, n)
	} else {
		literal = pack.AppendArray(literal, n)
	}
	for range n {
		if is == isMap {
			literal = pack.AppendString(literal, string(in.piece()))
		}
		if in.failed {
			break
		}
		literal = s.read(in, literal, depth-1)
	}
	return literal
}

// column reads a column from front to back. After a failure it gives zeros.
type column struct {
	b      []byte
	at     int
	failed bool
}

func (c *column) more() bool { return !c.failed && c.at < len(c.b) }

// done tells whether all was read, and nothing failed.
func (c *column) done() bool { return !c.failed && c.at == len(c.b) }

func (c *column) take(n int) []byte {
	if c.failed || n > len(c.b)-c.at {
		c.failed = true
		return nil
	}
	c.at += n
	return c.b[c.at-n : c.at : c.at]
}

func (c *column) byte() byte {
	if p := c.take(1); p != nil {
		return p[0]
	}
	return 0
}

func (c *column) uint() uint64 {
	if c.failed {
		return 0
	}
	u, w := uvarint(c.b[c.at:])
	c.failed = w == 0
	c.at += w
	return u
}

// index reads a number of at most most.
func (c *column) index(most int) int {
	u := c.uint()
	if u > uint64(most) {
		c.failed = true
		return 0
	}
	return int(u)
}

func (c *column) piece() []byte { return c.take(c.index(len(c.b))) }

// fraction is the inverse of appendFraction, but for the bits.
func (c *column) fraction() uint64 {
	u := c.uint()
	if u != asBits {
		if u>>2 > 1<<53 {
			c.failed = true // not a fraction any more
		}
		return math.Float64bits(float64(u>>2) / powers[u&3])
	}
	p := c.take(8)
	if p == nil {
		return 0
	}
	bits := binary.BigEndian.Uint64(p)
	if f := math.Float64frombits(bits); math.IsNaN(f) || math.IsInf(f, 0) || f == 0 {
		c.failed = true // no record has one, and nought is written otherwise
		return 0
	}
	return bits
}

// unfolder puts the records of one folded list together again.
type unfolder struct {
	col    [columns]column
	shapes []*shape
	texts  []string
	starts [][]int // by form, for each of its values: where the next one stands in its column
	last   envelope
	id     [16]byte
	body   []byte
	record []byte
}

// unfold gives back a list, of at most most bytes. Its inverse is fold. The error wraps ErrMessage.
func unfold(content []byte, dict *dictionary, most int) ([]byte, error) {
	bad := func(format string, a ...any) ([]byte, error) {
		return nil, fmt.Errorf("%w: folded list: %s", ErrMessage, fmt.Sprintf(format, a...))
	}
	var u unfolder
	whole := column{b: content}
	for i := range u.col {
		u.col[i].b = whole.piece()
	}
	if !whole.done() {
		return bad("it has not %d columns", columns)
	}
	if !u.readTables(dict) || !u.findValues() {
		return bad("its columns do not fit each other")
	}
	list := make([]byte, 0, min(most, 4*len(content)))
	for form := &u.col[colForm]; form.more(); {
		var p []byte
		if n := form.index(len(u.shapes)); n == 0 {
			p = u.col[colOdd].piece()
		} else {
			p = u.next(n - 1)
		}
		if u.failed() {
			return bad("one of its pieces does not fit")
		}
		if list = AppendPiece(list, p); len(list) > most {
			return bad("it unfolds to more than %d bytes", most)
		}
	}
	for i := range u.col {
		if !u.col[i].done() {
			return bad("something is left over")
		}
	}
	return list, nil
}

func (u *unfolder) failed() bool {
	for i := range u.col {
		if u.col[i].failed {
			return true
		}
	}
	return false
}

// readTables reads the forms, texts and visits that records name by their numbers.
func (u *unfolder) readTables(dict *dictionary) bool {
	forms, texts, visits := &u.col[colForms], &u.col[colTexts], &u.col[colVisits]
	if len(forms.b) > maxNewForms || len(visits.b)%16 != 0 {
		return false
	}
	visits.at = len(visits.b)
	u.shapes = append(u.shapes, dict.shapes...)
	for forms.more() {
		s, ok := readShape(forms.piece())
		if !ok {
			return false
		}
		u.shapes = append(u.shapes, s)
	}
	u.texts = append(append(u.texts, ""), dict.texts...) // number 0 is the empty text
	for most := len(u.texts) + maxNewTexts; texts.more(); {
		t := texts.piece()
		if len(u.texts) == most || len(t) > events.MaxRecord {
			return false
		}
		u.texts = append(u.texts, string(t))
	}
	return !forms.failed && !texts.failed
}

// findValues finds where the values of each form begin, and reads every value once.
func (u *unfolder) findValues() bool {
	counts := make([]int, len(u.shapes))
	form := u.col[colForm] // a copy: it is read again
	for form.more() {
		if n := form.index(len(u.shapes)); n > 0 {
			counts[n-1]++
		}
	}
	u.starts = make([][]int, len(u.shapes))
	for i, s := range u.shapes {
		if counts[i] == 0 {
			continue
		}
		u.starts[i] = make([]int, len(s.values))
		for j, is := range s.values {
			c := &u.col[columnOf(is)]
			u.starts[i][j] = c.at
			for n := counts[i]; n > 0 && !c.failed; n-- {
				u.value(c, is)
			}
		}
	}
	return !form.failed && !u.failed()
}

// columnOf is where the values of a type stand.
func columnOf(is byte) int {
	switch is {
	case isText:
		return colBodyText
	case isVisit:
		return colBodyVisit
	case isSum:
		return colSums
	}
	return colBodyNumber
}

// value reads the next value of a column.
func (u *unfolder) value(c *column, is byte) value {
	switch v := (value{is: is}); is {
	case isText:
		v.text = u.text(c)
		return v
	case isVisit:
		if v.bytes = u.visit(c); v.bytes == nil {
			c.failed = true
		}
		return v
	case isSum:
		v.bytes = c.take(len(events.Hash{}))
		return v
	case isFloat:
		v.n = c.fraction()
		return v
	case isBool:
		v.n = uint64(c.index(1))
		return v
	default:
		if v.n = c.uint(); is == isMinus && v.n > math.MaxInt64 {
			c.failed = true
		}
		return v
	}
}

func (u *unfolder) text(c *column) string { return u.texts[c.index(len(u.texts)-1)] }

func (u *unfolder) visit(c *column) []byte {
	table := u.col[colVisits].b
	n := c.index(len(table) / 16)
	if n == 0 {
		return nil
	}
	return table[16*(n-1) : 16*n]
}

// next puts the next record together, which is of the given form. It is good until the next call.
func (u *unfolder) next(form int) []byte {
	s := u.shapes[form]
	u.body = u.body[:0]
	for i, is := range s.values {
		u.body = append(u.body, s.between[i]...)
		c := u.col[columnOf(is)]
		c.at = u.starts[form][i]
		u.body = appendValue(u.body, u.value(&c, is))
		u.starts[form][i] = c.at
		if len(u.body) > events.MaxRecord {
			break
		}
	}
	u.body = append(u.body, s.between[len(s.values)]...)
	u.last.kind, u.last.v = s.kind, s.v
	flags := int(u.col[colLow].byte()) | int(u.col[colHigh].byte())<<8
	if flags > allFlags || flags&flagAtClock != 0 && flags&flagMillis != 0 {
		u.col[colLow].failed = true
	}
	u.chain(flags)
	u.about(flags)
	u.record = appendEnvelope(u.record[:0], &u.last, u.body)
	if len(u.record) > events.MaxRecord {
		u.col[colForm].failed = true
	}
	return u.record
}

// chain is the inverse of folder's.
func (u *unfolder) chain(flags int) {
	e, numbers := &u.last, &u.col[colNumber]
	e.seq++
	if flags&flagSeq != 0 {
		e.seq = numbers.uint()
	}
	e.clock++
	if flags&flagClock != 0 {
		c := &u.col[colClock]
		at := (e.clock-1)>>16 + uint64(unzigzag(c.uint()))
		e.clock = at<<16 | uint64(c.index(0xffff))
	}
	at := timeOf(e.clock)
	copy(u.id[:6], at[:])
	if flags&flagTime != 0 {
		copy(u.id[:6], numbers.take(6))
	}
	if p := u.col[colIDs].take(9); p != nil {
		u.id[6] = 0x70 | p[0]>>4&0x0c | byte(flags>>idBits&3)
		u.id[7] = p[1]
		u.id[8] = 0x80 | p[0]&0x3f
		copy(u.id[9:], p[2:])
	}
	e.id = u.id[:]
	switch {
	case flags&flagAtClock != 0:
		e.done = int64(e.clock >> 16)
	case flags&flagMillis != 0:
		e.done += unzigzag(u.col[colDone].uint())
	default:
		e.done += 1000 * unzigzag(u.col[colDone].uint())
	}
	if flags&flagZone != 0 {
		e.zone = unzigzag(numbers.uint())
	}
}

// about is the inverse of folder's.
func (u *unfolder) about(flags int) {
	e, c := &u.last, &u.col[colText]
	e.key = ""
	for _, t := range [...]struct {
		flag int
		text *string
	}{{flagDevice, &e.device}, {flagSite, &e.site}, {flagMachine, &e.machine}, {flagBy, &e.by}, {flagKey, &e.key}} {
		if flags&t.flag != 0 {
			*t.text = u.text(c)
		}
	}
	if flags&flagVisit != 0 {
		e.visit = u.visit(&u.col[colVisit])
	}
}
