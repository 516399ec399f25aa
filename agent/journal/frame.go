package journal

import (
	"encoding/binary"
	"hash/crc32"

	"ullage/events"
)

// FrameType says what a frame holds.
type FrameType byte

// The frames that callers write and read. Their payloads other than records are opaque here.
const (
	Record  FrameType = 1 // the bytes of one record
	Seal    FrameType = 2 // a seal over the chain up to the record before it
	Receipt FrameType = 3 // what the centre has received
)

// The journal's own frames.
const (
	linkFrame FrameType = 4 // directly behind each record: where the chain stands with it
	settled   FrameType = 5 // everything before it was on the disk when it was written; and where the chain stands
)

func (t FrameType) String() string {
	switch t {
	case Record:
		return "record"
	case Seal:
		return "seal"
	case Receipt:
		return "receipt"
	case linkFrame:
		return "link"
	case settled:
		return "settled"
	}
	return "unknown frame"
}

// Frame is one thing to be written.
type Frame struct {
	Type    FrameType
	Payload []byte
}

// MaxPayload is the greatest size of a payload, in bytes.
const MaxPayload = events.MaxRecord

const (
	frameHead   = 9 // length, sum, type
	placeSize   = 8 + 8 + 32
	linkSize    = placeSize + 32
	linkLen     = frameHead + linkSize
	settledLen  = frameHead + placeSize
	maxFrameLen = frameHead + MaxPayload
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// frameSum covers where the frame stands (the number in the segment's name, and the offset in it), its length, its
// type and its payload. Bytes that look like a frame inside a payload, or that were left behind by another file, do
// not stand where they say.
func frameSum(mark events.Seq, off int64, length, rest []byte) uint32 {
	var at [20]byte
	binary.LittleEndian.PutUint64(at[:], uint64(mark))
	binary.LittleEndian.PutUint64(at[8:], uint64(off))
	copy(at[16:], length)
	return crc32.Update(crc32.Update(0, castagnoli, at[:]), castagnoli, rest)
}

// appendFrame writes one frame to b; it will stand at off. Its inverse is parseFrame.
func appendFrame(b []byte, mark events.Seq, off int64, t FrameType, payload []byte) []byte {
	start := len(b)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(payload)))
	b = append(b, 0, 0, 0, 0, byte(t))
	b = append(b, payload...)
	binary.LittleEndian.PutUint32(b[start+4:], frameSum(mark, off, b[start:start+4], b[start+8:]))
	return b
}

// frameLen reads the head of a frame and tells how long the whole is; 0 where this is no head.
func frameLen(head []byte) int {
	if len(head) < frameHead {
		return 0
	}
	n := binary.LittleEndian.Uint32(head)
	switch FrameType(head[8]) {
	case Record, Seal, Receipt:
		if n == 0 || n > MaxPayload {
			return 0
		}
	case linkFrame:
		if n != linkSize {
			return 0
		}
	case settled:
		if n != placeSize {
			return 0
		}
	default:
		return 0
	}
	return frameHead + int(n)
}

// parseFrame reads the frame at the start of b, which stands at off. The payload is a part of b. It returns a length
// of 0 where there is no whole frame whose sum holds.
func parseFrame(b []byte, mark events.Seq, off int64) (t FrameType, payload []byte, n int) {
	n = frameLen(b)
	if n == 0 || n > len(b) || binary.LittleEndian.Uint32(b[4:]) != frameSum(mark, off, b[:4], b[8:n]) {
		return 0, nil, 0
	}
	return FrameType(b[8]), b[frameHead:n], n
}

// place is where a chain stands: behind record seq, 0 for before the first.
type place struct {
	seq   events.Seq
	clock events.Clock // of that record; 0 where it is not known
	link  events.Hash
}

// next is the place behind the record of these bytes.
func (p place) next(record []byte, clock events.Clock) place {
	return place{p.seq + 1, clock, events.Link(p.link, events.HashRecord(record))}
}

// append writes a place, as it stands in link and settled frames; its inverse is parsePlace.
func (p place) append(b []byte) []byte {
	b = binary.LittleEndian.AppendUint64(b, uint64(p.seq))
	b = binary.LittleEndian.AppendUint64(b, uint64(p.clock))
	return append(b, p.link[:]...)
}

// parsePlace reads a place from the front of a payload whose size parseFrame has checked.
func parsePlace(b []byte) (p place) {
	p.seq = events.Seq(binary.LittleEndian.Uint64(b))
	p.clock = events.Clock(binary.LittleEndian.Uint64(b[8:]))
	copy(p.link[:], b[16:])
	return p
}

// appendLink writes a link frame: the place behind a record, and the link before it. The two together prove the record
// without those around it.
func appendLink(b []byte, mark events.Seq, off int64, prev events.Hash, p place) []byte {
	var payload [linkSize]byte
	return appendFrame(b, mark, off, linkFrame, append(p.append(payload[:0]), prev[:]...))
}

// parseLink reads the payload of a link frame, whose size parseFrame has checked.
func parseLink(b []byte) (prev events.Hash, p place) {
	copy(prev[:], b[placeSize:])
	return prev, parsePlace(b)
}

// appendSettled writes a settled frame behind p.
func appendSettled(b []byte, mark events.Seq, off int64, p place) []byte {
	var payload [placeSize]byte
	return appendFrame(b, mark, off, settled, p.append(payload[:0]))
}

// appendItem writes what a caller sees as one frame to b, whose first byte will stand at base: a record with its link
// behind it, from the place before it to the one behind it; anything else as it is.
func appendItem(b []byte, mark events.Seq, base int64, t FrameType, payload []byte, before, behind place) []byte {
	b = appendFrame(b, mark, base+int64(len(b)), t, payload)
	if t == Record {
		b = appendLink(b, mark, base+int64(len(b)), before.link, behind)
	}
	return b
}
