package journal

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"sort"

	"ullage/events"
)

// An index is a file of pages, each with a sum of its own, so that a question reads a page or two and no more. It is
// disposable: the segment has all that is in it.
const (
	pageSize  = 4096
	pageBody  = pageSize - 4
	perOffset = pageBody / 4
	perPair   = pageBody / 8
)

// The tables of an index, one after the other behind its first page.
const (
	tabOffsets = iota // of record frames, by number: uint32
	tabIDs            // by hash of the id: hash, place of the record in the segment
	tabKeys           // by hash of the key, records that have one
	tabSeals          // in order: records of the segment in front of it, offset
	tabReceipts
	tabs
)

// pair is an entry of any table but the first.
type pair struct{ a, b uint32 }

// indexHash is what ids and keys are found by.
func indexHash(p []byte) uint32 {
	sum := sha256.Sum256(p)
	return binary.BigEndian.Uint32(sum[:])
}

// index is the catalog of a closed segment, on disk.
type index struct {
	mark         events.Seq
	base, last   place
	end          int64 // behind the last frame of the segment
	count        [tabs]uint32
	minID, maxID events.RecordID
	read         func(off int64, n int) ([]byte, error)
}

func perPage(tab int) int {
	if tab == tabOffsets {
		return perOffset
	}
	return perPair
}

func pages(tab int, count uint32) int64 {
	per := int64(perPage(tab))
	return (int64(count) + per - 1) / per
}

// sealPage puts the sum of page n at its end; it covers the number of the segment, n, and the page before the sum.
func sealPage(page []byte, mark events.Seq, n int64) {
	binary.LittleEndian.PutUint32(page[pageBody:], pageSum(page, mark, n))
}

func pageSum(page []byte, mark events.Seq, n int64) uint32 {
	var at [16]byte
	binary.LittleEndian.PutUint64(at[:], uint64(mark))
	binary.LittleEndian.PutUint64(at[8:], uint64(n))
	return crc32.Update(crc32.Update(0, castagnoli, at[:]), castagnoli, page[:pageBody])
}

// encodeIndex writes the index of a segment whose only run is t and whose frames end at end.
func encodeIndex(mark events.Seq, t *table, end int64) []byte {
	ids, keys := make([]pair, 0, len(t.recs)), []pair(nil)
	var minID, maxID events.RecordID
	for i, e := range t.recs {
		ids = append(ids, pair{indexHash(e.id[:]), uint32(i)})
		if e.key != "" {
			keys = append(keys, pair{indexHash([]byte(e.key)), uint32(i)})
		}
		if i == 0 || bytes.Compare(e.id[:], minID[:]) < 0 {
			minID = e.id
		}
		if bytes.Compare(e.id[:], maxID[:]) > 0 {
			maxID = e.id
		}
	}
	for _, p := range [][]pair{ids, keys} {
		slices.SortFunc(p, func(x, y pair) int { return cmp.Or(cmp.Compare(x.a, y.a), cmp.Compare(x.b, y.b)) })
	}
	notes := func(ns []note) []pair {
		p := make([]pair, len(ns))
		for i, n := range ns {
			p[i] = pair{uint32(n.seq - t.base.seq), n.off}
		}
		return p
	}
	tables := [tabs][]pair{tabIDs: ids, tabKeys: keys, tabSeals: notes(t.seals), tabReceipts: notes(t.receipts)}

	le := binary.LittleEndian
	b := append(make([]byte, 0, pageSize*indexPages(t, len(keys))), magicIndex...)
	b = le.AppendUint64(b, uint64(mark))
	for _, p := range []place{t.base, t.last} {
		b = le.AppendUint64(b, uint64(p.seq))
		b = le.AppendUint64(b, uint64(p.clock))
		b = append(b, p.link[:]...)
	}
	b = le.AppendUint64(b, uint64(end))
	b = append(append(b, minID[:]...), maxID[:]...)
	b = le.AppendUint32(b, uint32(len(t.recs)))
	for _, p := range tables[1:] {
		b = le.AppendUint32(b, uint32(len(p)))
	}
	b = closePage(b, mark)
	for i, e := range t.recs {
		b = le.AppendUint32(b, e.off)
		if (i+1)%perOffset == 0 || i == len(t.recs)-1 {
			b = closePage(b, mark)
		}
	}
	for _, ps := range tables[1:] {
		for i, p := range ps {
			b = le.AppendUint32(le.AppendUint32(b, p.a), p.b)
			if (i+1)%perPair == 0 || i == len(ps)-1 {
				b = closePage(b, mark)
			}
		}
	}
	return b
}

// indexPages is how many pages the index of a run takes.
func indexPages(t *table, keys int) int64 {
	n := int64(1)
	for tab, count := range [tabs]int{len(t.recs), len(t.recs), keys, len(t.seals), len(t.receipts)} {
		n += pages(tab, uint32(count))
	}
	return n
}

// closePage fills the last page of b with zeros and puts its sum behind it.
func closePage(b []byte, mark events.Seq) []byte {
	n := int64((len(b) - 1) / pageSize)
	b = append(b, make([]byte, int(n+1)*pageSize-len(b))...)
	sealPage(b[n*pageSize:], mark, n)
	return b
}

// page reads and checks a page.
func (x *index) page(n int64) ([]byte, error) {
	b, err := x.read(n*pageSize, pageSize)
	if err != nil {
		return nil, err
	}
	if len(b) != pageSize || binary.LittleEndian.Uint32(b[pageBody:]) != pageSum(b, x.mark, n) {
		return nil, fmt.Errorf("%w: page %d of the index of segment %d", ErrDamaged, n, x.mark)
	}
	return b, nil
}

// openIndex reads the first page. Errors wrap ErrDamaged where it is not one of this segment.
func openIndex(mark events.Seq, read func(off int64, n int) ([]byte, error)) (*index, error) {
	x := &index{mark: mark, read: read}
	b, err := x.page(0)
	if err != nil {
		return nil, err
	}
	if string(b[:magicLen]) != magicIndex {
		return nil, fmt.Errorf("%w: the index of segment %d is of another kind", ErrDamaged, mark)
	}
	le, at := binary.LittleEndian, magicLen+8
	for _, p := range []*place{&x.base, &x.last} {
		p.seq, p.clock = events.Seq(le.Uint64(b[at:])), events.Clock(le.Uint64(b[at+8:]))
		copy(p.link[:], b[at+16:])
		at += 48
	}
	x.end = int64(le.Uint64(b[at:]))
	copy(x.minID[:], b[at+8:])
	copy(x.maxID[:], b[at+24:])
	at += 40
	for i := range x.count {
		x.count[i] = le.Uint32(b[at+4*i:])
	}
	if x.last.seq < x.base.seq || uint64(x.last.seq-x.base.seq) != uint64(x.count[tabOffsets]) || x.base.seq+1 != mark {
		return nil, fmt.Errorf("%w: the index of segment %d contradicts itself", ErrDamaged, mark)
	}
	return x, nil
}

func (x *index) span() Range           { return Range{x.base.seq + 1, x.last.seq} }
func (x *index) baseLink() events.Hash { return x.base.link }

// entries reads the page of a table that holds entry i, and tells which entry is the first on it.
func (x *index) entries(tab int, i uint32) (body []byte, first uint32, err error) {
	n := int64(1)
	for t := range tab {
		n += pages(t, x.count[t])
	}
	per := uint32(perPage(tab))
	b, err := x.page(n + int64(i/per))
	if err != nil {
		return nil, 0, err
	}
	first = i / per * per
	width := pageBody / perPage(tab)
	return b[:int(min(per, x.count[tab]-first))*width], first, nil
}

func (x *index) offset(seq events.Seq) (int64, error) {
	i := uint32(seq - x.base.seq - 1)
	b, first, err := x.entries(tabOffsets, i)
	if err != nil {
		return 0, err
	}
	return int64(binary.LittleEndian.Uint32(b[4*(i-first):])), nil
}

func (x *index) withID(id events.RecordID) ([]events.Seq, error) {
	if bytes.Compare(id[:], x.minID[:]) < 0 || bytes.Compare(id[:], x.maxID[:]) > 0 {
		return nil, nil
	}
	return x.withHash(tabIDs, indexHash(id[:]))
}

func (x *index) withKey(key string) ([]events.Seq, error) {
	return x.withHash(tabKeys, indexHash([]byte(key)))
}

// withHash looks where the hash should be if hashes are spread evenly, which they are, and goes on from there page by
// page.
func (x *index) withHash(tab int, h uint32) ([]events.Seq, error) {
	n := x.count[tab]
	if n == 0 {
		return nil, nil
	}
	i := uint32(uint64(h) * uint64(n) >> 32)
	var found []events.Seq
	look := func(i uint32) (below, above bool, err error) {
		b, _, err := x.entries(tab, i)
		if err != nil {
			return false, false, err
		}
		k := len(b) / 8
		at := func(j int) uint32 { return binary.LittleEndian.Uint32(b[8*j:]) }
		for j := sort.Search(k, func(j int) bool { return at(j) >= h }); j < k && at(j) == h; j++ {
			found = append(found, x.base.seq+1+events.Seq(binary.LittleEndian.Uint32(b[8*j+4:])))
		}
		return at(0) >= h, at(k-1) <= h, nil
	}
	below, above, err := look(i)
	if err != nil {
		return nil, err
	}
	per := uint32(perPair)
	for j := i / per; below && j > 0; j-- {
		if below, _, err = look((j - 1) * per); err != nil {
			return nil, err
		}
	}
	for j := i/per + 1; above && j*per < n; j++ {
		if _, above, err = look(j * per); err != nil {
			return nil, err
		}
	}
	slices.Sort(found)
	return found, nil
}

func (x *index) notes(t FrameType) ([]note, error) {
	tab := tabSeals
	if t == Receipt {
		tab = tabReceipts
	}
	var all []note
	for i := uint32(0); i < x.count[tab]; {
		b, _, err := x.entries(tab, i)
		if err != nil {
			return nil, err
		}
		for ; len(b) >= 8; b = b[8:] {
			seq := x.base.seq + events.Seq(binary.LittleEndian.Uint32(b))
			all = append(all, note{seq: seq, off: binary.LittleEndian.Uint32(b[4:])})
			i++
		}
	}
	return all, nil
}
