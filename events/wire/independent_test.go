package wire_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"sync"
	"testing"

	"github.com/klauspost/compress/zstd"

	"ullage/events/wire"
)

// What follows reads the stored message and the folded list as FORMAT.md tells it, and shares no code with the package
// but zstd. It does not look after its memory, and takes more than the package does.

var errBad = errors.New("bad")

// reader reads MessagePack, uvarints and pieces; a fault is a panic with errBad.
type reader struct{ b []byte }

func (r *reader) n(n uint64) []byte {
	if n > uint64(len(r.b)) {
		panic(errBad)
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *reader) big(n uint64) (u uint64) {
	for _, c := range r.n(n) {
		u = u<<8 | uint64(c)
	}
	return u
}

// any reads one value: uint64, int64, string, []byte, bool, float64 or []any.
func (r *reader) any() any {
	list := func(n uint64) any {
		l := []any{}
		for range n {
			l = append(l, r.any())
		}
		return l
	}
	c := r.n(1)[0]
	switch {
	case c < 0x80:
		return uint64(c)
	case c >= 0x90 && c < 0xa0:
		return list(uint64(c & 15))
	case c >= 0xa0 && c < 0xc0:
		return string(r.n(uint64(c & 31)))
	case c >= 0xcc && c <= 0xcf:
		return r.big(1 << (c - 0xcc))
	case c >= 0xc4 && c <= 0xc6:
		return bytes.Clone(r.n(r.big(1 << (c - 0xc4))))
	case c >= 0xd9 && c <= 0xdb:
		return string(r.n(r.big(1 << (c - 0xd9))))
	case c == 0xdc:
		return list(r.big(2))
	}
	panic(errBad)
}

func (r *reader) uvarint() (u uint64) {
	for shift := 0; ; shift += 7 {
		c := r.n(1)[0]
		u |= uint64(c&0x7f) << shift
		if c < 0x80 {
			return u
		}
	}
}

func (r *reader) piece() []byte { return r.n(r.uvarint()) }

func (r *reader) pieces() (all [][]byte) {
	for len(r.b) > 0 {
		all = append(all, r.piece())
	}
	return all
}

func unzz(u uint64) int64 {
	if u%2 == 0 {
		return int64(u / 2)
	}
	return -int64(u/2) - 1
}

// readZstd knows dictionary 1.
var readZstd = sync.OnceValues(func() (*zstd.Decoder, error) {
	dict, err := os.ReadFile("dictionary.1")
	if err != nil {
		return nil, err
	}
	return zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderDictRaw(1, dict))
})

// expandIndependently reads a squeezed list.
func expandIndependently(t testing.TB, data []byte) [][]byte {
	t.Helper()
	dict, err := os.ReadFile("dictionary.1")
	if err != nil {
		t.Fatal(err)
	}
	d, err := readZstd()
	if err != nil {
		t.Fatal(err)
	}
	content, err := d.DecodeAll(data, nil)
	if err != nil {
		t.Fatal(err)
	}
	// Of the frame's header (RFC 8878, section 3.1.1): the low two bits of its first byte give the dictionary number's
	// size; where bit 5 is not set, the window's byte comes first.
	at := 5
	if data[4]&0x20 == 0 {
		at++
	}
	if data[4]&3 == 0 {
		return (&reader{content}).pieces()
	}
	if data[4]&3 != 1 || data[at] != 1 {
		t.Fatal("another dictionary")
	}
	return unfoldIndependently(content, dict)
}

func unfoldIndependently(content, dict []byte) [][]byte {
	d := &reader{dict}
	formList, textList := (&reader{d.piece()}).pieces(), (&reader{d.piece()}).pieces()
	whole := &reader{content}
	var col [18]reader // counted from 1, as in the text
	for i := range 17 {
		col[i+1].b = whole.piece()
	}
	formList = append(formList, col[1].pieces()...)
	textList = append(append([][]byte{nil}, textList...), col[2].pieces()...)
	visits := col[16].b
	text := func(c int) []byte { return textList[col[c].uvarint()] }
	visit := func(n uint64) []byte {
		if n == 0 {
			return nil
		}
		return visits[16*n-16 : 16*n]
	}

	// The bodies come form by form: read them all before the records.
	var forms []int
	count := map[int]int{}
	for r := (reader{col[3].b}); len(r.b) > 0; {
		forms = append(forms, int(r.uvarint()))
		count[forms[len(forms)-1]]++
	}
	type parsed struct {
		kind   []byte
		v      uint64
		bodies [][]byte
	}
	byForm := map[int]*parsed{}
	for n := 1; n <= len(formList); n++ {
		if count[n] == 0 {
			continue
		}
		f := &reader{formList[n-1]}
		p := &parsed{kind: f.piece(), v: f.uvarint(), bodies: make([][]byte, count[n])}
		var walk func()
		put := func(b []byte) {
			for i := range p.bodies {
				p.bodies[i] = append(p.bodies[i], b...)
			}
		}
		walk = func() {
			switch is := f.n(1)[0]; is {
			case 'm':
				m := f.uvarint()
				put(header(0x80, 16, 0xde, m))
				for range m {
					put(str(f.piece()))
					walk()
				}
			case 'l':
				m := f.uvarint()
				put(header(0x90, 16, 0xdc, m))
				for range m {
					walk()
				}
			default:
				for i := range p.bodies {
					var b []byte
					switch is {
					case 't':
						b = str(text(11))
					case 'u':
						b = number(col[12].uvarint())
					case 'i':
						b = minus(-1 - int64(col[12].uvarint()))
					case 'b':
						b = []byte{0xc2 + byte(col[12].uvarint())}
					case 'f':
						u := col[12].uvarint()
						f := float64(u/4) / math.Pow10(int(u%4))
						if u == 3 {
							f = math.Float64frombits(col[12].big(8))
						}
						b = binary.BigEndian.AppendUint64([]byte{0xcb}, math.Float64bits(f))
					case 'v':
						b = blob(visit(col[13].uvarint()))
					case 's':
						b = blob(col[17].n(32))
					default:
						panic(errBad)
					}
					p.bodies[i] = append(p.bodies[i], b...)
				}
			}
		}
		walk()
		byForm[n] = p
	}

	var list [][]byte
	var seq, clock uint64
	var done, zone int64
	var device, site, machine, by, key, vis []byte
	for _, n := range forms {
		if n == 0 {
			list = append(list, col[14].piece())
			continue
		}
		p := byForm[n]
		flags := uint(col[4].n(1)[0]) + 256*uint(col[5].n(1)[0])
		on := func(flag uint) bool { return flags&flag != 0 }
		if seq++; on(0x0001) {
			seq = col[8].uvarint()
		}
		if before := clock >> 16; on(0x0002) {
			clock = (before + uint64(unzz(col[6].uvarint()))) << 16
			clock += col[6].uvarint()
		} else {
			clock++
		}
		id := binary.BigEndian.AppendUint64(nil, clock)[:6]
		if on(0x0004) {
			id = bytes.Clone(col[8].n(6))
		}
		switch {
		case on(0x0008):
			done = int64(clock >> 16)
		case on(0x0010):
			done += unzz(col[7].uvarint())
		default:
			done += 1000 * unzz(col[7].uvarint())
		}
		if on(0x0020) {
			zone = unzz(col[8].uvarint())
		}
		if on(0x0040) {
			device = text(10)
		}
		if on(0x0080) {
			site = text(10)
		}
		if on(0x0100) {
			machine = text(10)
		}
		if on(0x0200) {
			by = text(10)
		}
		if key = nil; on(0x0400) {
			key = text(10)
		}
		if on(0x0800) {
			vis = visit(col[9].uvarint())
		}
		r := col[15].n(9)
		id = append(id, 0x70+r[0]>>6*4+byte(flags>>12&3), r[1], 0x80+r[0]&0x3f)
		id = append(id, r[2:]...)
		record := []byte{0x9e}
		for _, part := range [][]byte{
			blob(id), str(device), number(seq), number(clock), minus(done), minus(zone), str(site), str(machine), blob(vis), str(by), str(key),
			str(p.kind), number(p.v), blob(p.bodies[0]),
		} {
			record = append(record, part...)
		}
		p.bodies = p.bodies[1:]
		list = append(list, record)
	}
	return list
}

func header(fix, below, next byte, n uint64) []byte {
	if n < uint64(below) {
		return []byte{fix + byte(n)}
	}
	return binary.BigEndian.AppendUint16([]byte{next}, uint16(n))
}

func str(p []byte) []byte {
	if len(p) < 32 {
		return append([]byte{0xa0 + byte(len(p))}, p...)
	}
	return append([]byte{0xd9, byte(len(p))}, p...)
}

func blob(p []byte) []byte {
	if len(p) < 256 {
		return append([]byte{0xc4, byte(len(p))}, p...)
	}
	return append(binary.BigEndian.AppendUint16([]byte{0xc5}, uint16(len(p))), p...)
}

func number(u uint64) []byte {
	switch {
	case u < 128:
		return []byte{byte(u)}
	case u < 1<<8:
		return []byte{0xcc, byte(u)}
	case u < 1<<16:
		return binary.BigEndian.AppendUint16([]byte{0xcd}, uint16(u))
	case u < 1<<32:
		return binary.BigEndian.AppendUint32([]byte{0xce}, uint32(u))
	}
	return binary.BigEndian.AppendUint64([]byte{0xcf}, u)
}

func minus(i int64) []byte {
	switch {
	case i >= 0:
		return number(uint64(i))
	case i >= -32:
		return []byte{byte(i)}
	case i >= -128:
		return []byte{0xd0, byte(i)}
	case i >= -1<<15:
		return binary.BigEndian.AppendUint16([]byte{0xd1}, uint16(i))
	case i >= -1<<31:
		return binary.BigEndian.AppendUint32([]byte{0xd2}, uint32(i))
	}
	return binary.BigEndian.AppendUint64([]byte{0xd3}, uint64(i))
}

// TestIndependentStored reads the golden stored message with what is above, and holds its chain and its seals.
func TestIndependentStored(t *testing.T) {
	_, data := readGolden(t, "stored")
	pieces := expandIndependently(t, data)
	c := (&reader{pieces[0]}).any().([]any)
	if len(c) != 14 || len(c[13].([]any)) != 0 || c[0] != uint64(1) || c[1] != "tab-1" || c[8] != "gate-1" || c[9] != uint64(1772439000123) {
		t.Fatalf("commit record %v", c)
	}
	from, to := c[4].(uint64), c[5].(uint64)
	if from != 1 || to != uint64(len(pieces)-1) || c[2] != to {
		t.Fatalf("%d records, %d to %d, cursor %d", len(pieces)-1, from, to, c[2])
	}
	labelled := func(label string, fields ...[]byte) (b []byte) {
		b = append(b, label...)
		for _, f := range fields {
			b = append(binary.BigEndian.AppendUint32(b, uint32(len(f))), f...)
		}
		return b
	}
	eight := func(u uint64) []byte { return binary.BigEndian.AppendUint64(nil, u) }
	key := c[7].([]byte)
	link := sha256.Sum256(labelled("ullage.chain.1", []byte("tab-1"), key))
	seals := c[6].([]any)
	for i, r := range pieces[1:] {
		h := sha256.Sum256(append([]byte{0}, r...))
		link = sha256.Sum256(append([]byte{2}, append(link[:], h[:]...)...))
		seq := uint64(i + 1)
		if len(seals) > 0 && seals[0].([]any)[0] == seq {
			s := seals[0].([]any)
			if !ed25519.Verify(key, labelled("ullage.seal.1", []byte("tab-1"), eight(seq), link[:], []byte(s[1].(string))), s[2].([]byte)) {
				t.Errorf("the seal at %d does not hold", seq)
			}
			seals = seals[1:]
		}
	}
	if len(seals) > 0 || !bytes.Equal(link[:], c[3].([]byte)) {
		t.Errorf("the chain ends at %x, not at %x; %d seals are left", link, c[3], len(seals))
	}
	held := c[11].([]any)[0].([]any)
	if h := sha256.Sum256(append([]byte{0}, pieces[4]...)); len(c[11].([]any)) != 1 || held[0] != uint64(4) || !bytes.Equal(h[:], held[1].([]byte)) {
		t.Errorf("held: %v", held)
	}
}

// TestIndependentReceipt holds the golden receipt's signature to the labelled bytes as FORMAT.md has them.
func TestIndependentReceipt(t *testing.T) {
	_, b := readGolden(t, "receipt")
	r := (&reader{b}).any().([]any)
	place := r[6].([]any)
	signed := []byte("ullage.receipt.1")
	for _, f := range []any{r[1], r[2], r[3], r[4], r[5], place[0], place[1], place[2], r[7]} {
		var p []byte
		switch f := f.(type) {
		case string:
			p = []byte(f)
		case []byte:
			p = f
		case uint64:
			p = binary.BigEndian.AppendUint64(nil, f)
		}
		signed = append(binary.BigEndian.AppendUint32(signed, uint32(len(p))), p...)
	}
	if !ed25519.Verify(public(gateKey), signed, r[9].([]byte)) {
		t.Errorf("it is not signed over %x", signed)
	}
}

// TestIndependentLists expands what the package squeezes.
func TestIndependentLists(t *testing.T) {
	_, folded := readGolden(t, "list-folded")
	if diff := same(expandIndependently(t, folded), goldenRecords()); diff != "" {
		t.Error(diff)
	}
	for _, worked := range []bool{false, true} {
		for i, p := range play(t, worked) {
			z := wire.Squeeze(listOf(p.records))
			if z[4]&3 == 0 {
				t.Errorf("push %d of %d records is not folded", i, len(p.records))
			}
			if diff := same(expandIndependently(t, z), p.records); diff != "" {
				t.Fatal(fmt.Sprint("push ", i), diff)
			}
			if diff := same(expandIndependently(t, wire.SqueezePlain(listOf(p.records))), p.records); diff != "" {
				t.Fatal(fmt.Sprint("push ", i), diff)
			}
		}
	}
}

// receiptBytes are the labelled bytes of the golden receipt, field by field, as FORMAT.md shows them.
func receiptBytes() string {
	r := goldenReceipt()
	eight := func(u uint64) []byte { return binary.BigEndian.AppendUint64(nil, u) }
	s := fmt.Sprintf("    %x\n", "ullage.receipt.1")
	for _, f := range [][]byte{
		[]byte(r.Device), eight(uint64(r.First)), eight(uint64(r.Last)), r.Link[:], eight(uint64(r.Received)), eight(r.Place.Seq), r.Place.Hash[:],
		eight(uint64(r.Place.Created)), []byte(r.Checkpoint),
	} {
		s += fmt.Sprintf("    %08x %x\n", len(f), f)
	}
	return s
}
