package journal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"ullage/events"
)

// The first bytes of the files. The last character of each is the version.
const (
	magicLen      = 16
	magicSegment  = "ullage.journal.1"
	magicIdentity = "ullage.identity1"
	magicIndex    = "ullage.jindex..1"
)

const (
	headerHead = magicLen + 8 // magic, length, sum
	maxHeader  = headerHead + 8 + 8 + 32 + ed25519.PublicKeySize + 1 + events.MaxIdentifier + 4 + MaxPayload
)

// identity is whose journal it is.
type identity struct {
	device events.DeviceID
	key    ed25519.PublicKey
}

func (id identity) zero() bool { return id.device == "" }

func (id identity) equal(o identity) bool { return id.device == o.device && bytes.Equal(id.key, o.key) }

// start is the place before the first record.
func (id identity) start() place { return place{link: events.FirstLink(id.device, id.key)} }

// header is the head of a segment: all that is needed to go on writing without the segments before it.
type header struct {
	identity
	base    place  // before the first record of the segment, whose number is in the name
	receipt []byte // the last receipt before the segment; empty for none
}

// appendSealed writes a file head: magic, length, sum over both and the body, body.
func appendSealed(magic string, body []byte) []byte {
	b := append(make([]byte, 0, headerHead+len(body)), magic...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(body)))
	sum := crc32.Update(crc32.Update(0, castagnoli, b), castagnoli, body)
	return append(binary.LittleEndian.AppendUint32(b, sum), body...)
}

// parseSealed is the inverse of appendSealed; b may go on behind the head. The error is ErrVersion for a sound head
// of another version, else ErrDamaged.
func parseSealed(magic string, b []byte) (body []byte, err error) {
	if len(b) < headerHead {
		return nil, fmt.Errorf("%w: %d bytes are no file head", ErrDamaged, len(b))
	}
	n := int64(binary.LittleEndian.Uint32(b[magicLen:]))
	if n > int64(len(b)-headerHead) {
		return nil, fmt.Errorf("%w: the file head has %d bytes, not %d", ErrDamaged, len(b)-headerHead, n)
	}
	body = b[headerHead : headerHead+int(n)]
	sum := crc32.Update(crc32.Update(0, castagnoli, b[:magicLen+4]), castagnoli, body)
	if sum != binary.LittleEndian.Uint32(b[magicLen+4:]) {
		return nil, fmt.Errorf("%w: the sum of the file head does not hold", ErrDamaged)
	}
	switch {
	case string(b[:magicLen]) == magic:
		return body, nil
	case string(b[:magicLen-1]) == magic[:magicLen-1]:
		return nil, fmt.Errorf("%w: %q", ErrVersion, b[:magicLen])
	}
	return nil, fmt.Errorf("%w: the file is of another kind, %q", ErrDamaged, b[:magicLen])
}

func (id identity) appendTo(b []byte) []byte {
	b = append(b, id.key...)
	b = append(b, byte(len(id.device)))
	return append(b, id.device...)
}

// readIdentity takes an identity off the front of b.
func readIdentity(b []byte) (id identity, rest []byte, ok bool) {
	if len(b) < ed25519.PublicKeySize+1 {
		return identity{}, nil, false
	}
	key, b := b[:ed25519.PublicKeySize], b[ed25519.PublicKeySize:]
	n := int(b[0])
	if len(b) < 1+n {
		return identity{}, nil, false
	}
	device, err := events.ParseDeviceID(string(b[1 : 1+n]))
	if err != nil {
		return identity{}, nil, false
	}
	return identity{device, bytes.Clone(key)}, b[1+n:], true
}

// encode writes the header; its inverse is parseHeader.
func (h header) encode() []byte {
	b := binary.LittleEndian.AppendUint64(nil, uint64(h.base.seq)+1)
	b = binary.LittleEndian.AppendUint64(b, uint64(h.base.clock))
	b = append(b, h.base.link[:]...)
	b = h.appendTo(b)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(h.receipt)))
	return appendSealed(magicSegment, append(b, h.receipt...))
}

// parseHeader reads the head of the segment that is named mark, and tells its length. Errors wrap ErrDamaged or
// ErrVersion.
func parseHeader(b []byte, mark events.Seq) (h header, n int64, err error) {
	body, err := parseSealed(magicSegment, b)
	if err != nil {
		return header{}, 0, err
	}
	n = headerHead + int64(len(body))
	bad := fmt.Errorf("%w: the head of the segment is not in form", ErrDamaged)
	if len(body) < 48 {
		return header{}, 0, bad
	}
	first := events.Seq(binary.LittleEndian.Uint64(body))
	if first == 0 || first != mark {
		return header{}, 0, fmt.Errorf("%w: the segment begins with record %d, its name says %d", ErrDamaged, first, mark)
	}
	h.base.seq, h.base.clock = first-1, events.Clock(binary.LittleEndian.Uint64(body[8:]))
	copy(h.base.link[:], body[16:])
	id, rest, ok := readIdentity(body[48:])
	if !ok || len(rest) < 4 || int64(binary.LittleEndian.Uint32(rest)) != int64(len(rest)-4) || len(rest)-4 > MaxPayload {
		return header{}, 0, bad
	}
	h.identity = id
	if len(rest) > 4 {
		h.receipt = bytes.Clone(rest[4:])
	}
	return h, n, nil
}

// encodeIdentity writes the identity file; its inverse is parseIdentity.
func encodeIdentity(id identity) []byte { return appendSealed(magicIdentity, id.appendTo(nil)) }

// parseIdentity reads the identity file. Errors wrap ErrDamaged or ErrVersion.
func parseIdentity(b []byte) (identity, error) {
	body, err := parseSealed(magicIdentity, b)
	if err != nil {
		return identity{}, err
	}
	id, rest, ok := readIdentity(body)
	if !ok || len(rest) != 0 {
		return identity{}, fmt.Errorf("%w: the identity file is not in form", ErrDamaged)
	}
	return id, nil
}
