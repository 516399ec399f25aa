package journal

import (
	"encoding/binary"
	"errors"
	"path/filepath"
	"testing"

	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// resum makes the sums of a segment's head and frames hold, as far as its lengths lead, so that the fuzzer gets behind
// them.
func resum(b []byte, mark events.Seq) {
	if len(b) < headerHead {
		return
	}
	le := binary.LittleEndian
	n := int64(le.Uint32(b[magicLen:]))
	if n > int64(len(b)-headerHead) {
		return
	}
	copy(b, appendSealed(string(b[:magicLen]), b[headerHead:headerHead+n]))
	for off := headerHead + int(n); off+frameHead <= len(b); {
		n := frameLen(b[off:])
		if n == 0 || off+n > len(b) {
			off++
			continue
		}
		le.PutUint32(b[off+4:], frameSum(mark, int64(off), b[off:off+4], b[off+8:off+n]))
		off += n
	}
}

// Whatever the bytes of a segment: no panic, and what is accepted is a chain that can be read, written behind, and
// opened again.
func FuzzOpen(f *testing.F) {
	mem, l := frail.New(), newLedger()
	cfg := Config{Dir: "j", FS: mem}
	if err := Create(cfg, testDevice, testKey); err != nil {
		f.Fatal(err)
	}
	j, _, err := Open(cfg)
	if err != nil {
		f.Fatal(err)
	}
	for i := range 4 {
		if err := l.add(j, i, i, i == 2); err != nil {
			f.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		f.Fatal(err)
	}
	name := filepath.Join("j", baseName(1, extSegment))
	good := mem.Bytes(name)[:2000]
	f.Add(good, false, false)
	f.Add(good[:900], true, true)
	f.Add(good[:90], false, true)
	f.Add([]byte{}, false, false)
	swapped := append(append(append([]byte(nil), good[:400]...), good[700:1000]...), good[400:700]...)
	f.Add(swapped, true, false)
	index := encodeIndex(1, newTable(identity{testDevice, testKey}.start()), 100)

	f.Fuzz(func(t *testing.T, b []byte, sums, closed bool) {
		if len(b) > 1<<16 {
			return
		}
		b = append([]byte(nil), b...)
		if sums {
			resum(b, 1)
		}
		m := mem.Clone()
		m.Set(name, b)
		if closed { // a segment behind it makes it a closed one, whose index says something else
			h := header{identity: identity{testDevice, testKey}, base: place{seq: 6}}
			m.Set(filepath.Join("j", baseName(7, extSegment)), h.encode())
			m.Set(filepath.Join("j", baseName(1, extIndex)), index)
		}
		c := Config{Dir: "j", FS: m}
		if r, err := OpenRead(c); err == nil {
			_, _, _ = readAll(r)
			_, _ = r.Seals(0, 100)
			r.Close()
		}
		if _, err := Check(c, nil); err != nil && !errors.Is(err, ErrVersion) && !errors.Is(err, ErrForeign) {
			t.Fatalf("check: %v", err)
		}
		j, _, err := Open(c)
		if errors.Is(err, ErrVersion) || errors.Is(err, ErrForeign) {
			return
		}
		if err != nil {
			t.Fatalf("open: %v", err)
		}
		defer j.Close()
		if !closed { // else the head's link is another's
			if _, _, err := readAll(j); err != nil {
				t.Fatalf("what was accepted is no chain: %v", err)
			}
		}
		if j.Head().Seq > 1<<40 { // a number that a sum confirms, but too large for the times that records makes of it
			return
		}
		if _, err := j.Append(records(2, 1, 1)); err != nil {
			t.Fatalf("append: %v", err)
		}
		if err := j.Mend(); err != nil && !errors.Is(err, ErrVersion) && !errors.Is(err, ErrForeign) {
			t.Fatalf("mend: %v", err)
		}
	})
}

// An index is believed only as far as its segment bears it out.
func FuzzIndex(f *testing.F) {
	tab := newTable(place{})
	for i := range 5 {
		tab.add(entry{uint32(100 * i), events.NewRecordID(events.Millis(i), [10]byte{}), keyOf(events.Seq(i))}, place{seq: events.Seq(i) + 1})
	}
	tab.addNote(Seal, note{seq: 2, off: 50})
	f.Add(encodeIndex(1, tab, 1000))
	f.Fuzz(func(t *testing.T, b []byte) {
		for n := int64(0); (n+1)*pageSize <= int64(len(b)); n++ {
			sealPage(b[n*pageSize:(n+1)*pageSize], 1, n)
		}
		x, err := openIndex(1, func(off int64, n int) ([]byte, error) {
			if off < 0 || off > int64(len(b)) {
				return nil, nil
			}
			return b[off:min(int64(len(b)), off+int64(n))], nil
		})
		if err != nil {
			return
		}
		_, _ = x.withKey("key-3")
		_, _ = x.withID(events.RecordID{})
		_, _ = x.withID(x.minID)
		if x.span().Len() > 0 {
			_, _ = x.offset(x.last.seq)
		}
		if x.count[tabSeals] < 1000 {
			_, _ = x.notes(Seal)
		}
	})
}
