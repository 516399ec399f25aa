package entry

import (
	"bytes"
	"crypto/sha256"
	"math"
	"strconv"

	"ullage/events"
	"ullage/events/pack"
)

// A template is a body in its canonical form with holes in it: for what is not known before the whole call has been
// found good (the digests of texts), or before its records have their numbers (what a correction of an earlier line
// names).
type template struct {
	n     int    // fields of the body
	bytes []byte // of those fields, without the map's header
	holes []hole // in ascending order
	over  int    // where the field over goes, which we fill; -1 in a body that has none
}

type hole struct {
	at   int // offset in bytes; the hole itself takes none
	what holeKind
	text string // of a text: itself; of a label: itself

	digest events.Digest   // of a text, once it is kept
	visit  events.RecordID // of a label, once it is bound
	item   *item           // the line that a target, or an id, names
}

type holeKind int

const (
	holeText  holeKind = iota // 32 bytes, after their header
	holeVisit                 // 16 bytes, after their header
	holeHash                  // 32 bytes, after their header
	holeSeq                   // a whole number
	holeID                    // a text
)

func (t *template) hole(h hole) {
	h.at = len(t.bytes)
	t.holes = append(t.holes, h)
}

// fill makes the body. With draft, holes are filled with values of the right form that only tell them apart.
func (t *template) fill(draft bool, over []events.Hash) []byte {
	n := t.n
	if len(over) > 0 {
		n++
	}
	b := pack.AppendMap(make([]byte, 0, len(t.bytes)+32*(len(t.holes)+len(over))+16), n)
	at, holes := 0, t.holes
	for {
		if len(over) > 0 && (len(holes) == 0 || holes[0].at > t.over) {
			b = append(b, t.bytes[at:t.over]...)
			at = t.over
			b = pack.AppendArray(pack.AppendString(b, "over"), len(over))
			for i := range over {
				b = pack.AppendBin(b, over[i][:])
			}
			over = nil
		}
		if len(holes) == 0 {
			return append(b, t.bytes[at:]...)
		}
		h := &holes[0]
		b = append(b, t.bytes[at:h.at]...)
		at, holes = h.at, holes[1:]
		b = h.append(b, draft)
	}
}

func (h *hole) append(b []byte, draft bool) []byte {
	if draft {
		switch h.what {
		case holeText:
			return append(b, h.draftDigest()...)
		case holeVisit:
			if h.visit.IsZero() {
				return append(b, bytes.Repeat([]byte{1}, len(h.visit))...)
			}
		case holeHash:
			sum := sha256.Sum256([]byte("line " + strconv.Itoa(h.item.line)))
			return append(b, sum[:]...)
		case holeSeq:
			return pack.AppendUint(b, math.MaxUint64-uint64(h.item.line)) // as long as any
		case holeID:
			return pack.AppendString(b, events.NewRecordID(events.Millis(h.item.line), [10]byte{}).String())
		}
	}
	switch h.what {
	case holeText:
		return append(b, h.digest[:]...)
	case holeVisit:
		return append(b, h.visit[:]...)
	case holeHash:
		return append(b, h.item.hash[:]...)
	case holeID:
		return pack.AppendString(b, h.item.record.ID.String())
	}
	return pack.AppendUint(b, uint64(h.item.record.Seq))
}

// draftDigest stands for the digest of a text that is not kept yet.
func (h *hole) draftDigest() []byte {
	sum := sha256.Sum256([]byte(h.text))
	return sum[:]
}

// matcher fills the holes of a template from a body that was written before.
type matcher struct {
	text  func(d events.Digest, plain string) (bool, error)
	visit func(label string, id events.RecordID) bool
	draft bool // the body is the draft of an earlier line of the call
}

// match tells whether the template, filled, is the body. The field over is no content: we fill it.
func (t *template) match(body []byte, m matcher) (bool, error) {
	rest := fields(body, t.over >= 0)
	// Both are canonical: as long as all before is equal, a hole begins at the same place in both.
	take := func(n int) []byte {
		if len(rest) < n {
			return nil
		}
		p := rest[:n]
		rest = rest[n:]
		return p
	}
	at := 0
	for i := range t.holes {
		h := &t.holes[i]
		if !bytes.Equal(take(h.at-at), t.bytes[at:h.at]) {
			return false, nil
		}
		at = h.at
		switch h.what {
		case holeText:
			p := take(len(h.digest))
			if p == nil {
				return false, nil
			}
			if ok, err := m.text(events.Digest(p), h.text); !ok {
				return false, err
			}
		case holeVisit:
			p := take(len(h.visit))
			if p == nil || !m.visit(h.text, events.RecordID(p)) {
				return false, nil
			}
		default:
			// A record that was written before cannot name a line that is only now being written.
			want := h.append(nil, true)
			if !m.draft || !bytes.Equal(take(len(want)), want) {
				return false, nil
			}
		}
	}
	return bytes.Equal(rest, t.bytes[at:]), nil
}

// fields are the bytes of a body after its map's header; strip leaves out the field over.
func fields(body []byte, strip bool) []byte {
	in := pack.NewReader(body)
	n := in.Map(len(body))
	if !strip {
		return body[in.Offset():]
	}
	rest := make([]byte, 0, len(body))
	for range n {
		from := in.Offset()
		key := in.String()
		in.Skip(events.MaxDepth)
		if key != "over" {
			rest = append(rest, body[from:in.Offset()]...)
		}
	}
	return rest
}

// overOf lists the corrections that a correction says it stands over.
func overOf(body []byte) []events.Hash {
	in := pack.NewReader(body)
	for n := in.Map(len(body)); n > 0 && in.Err() == nil; n-- {
		if in.String() != "over" {
			in.Skip(events.MaxDepth)
			continue
		}
		var over []events.Hash
		for m := in.Array(events.MaxList); m > 0; m-- {
			if p := in.Bin(); len(p) == len(events.Hash{}) {
				over = append(over, events.Hash(p))
			}
		}
		return over
	}
	return nil
}
