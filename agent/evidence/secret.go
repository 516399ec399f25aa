package evidence

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"hash/crc32"

	"golang.org/x/crypto/chacha20poly1305"

	"ullage/events"
)

// What files begin with.
const (
	magicKey   = "ullage.key.1\n\x00\x00\x00"
	magicGone  = "ullage.gone.1\n\x00\x00"
	magicPiece = "ullage.piece.1\n\x00"
)

const (
	keySize  = 16 + 32 + 32 + 4                            // of a key file
	overhead = len(magicPiece) + chacha20poly1305.Overhead // of a piece's file over the piece
)

// secret is what a piece is named and encrypted with.
type secret struct {
	salt [32]byte
	key  [chacha20poly1305.KeySize]byte
}

// digest names a piece.
func (s *secret) digest(plain []byte) events.Digest {
	h := sha256.New()
	h.Write(s.salt[:])
	h.Write(plain)
	return events.Digest(h.Sum(nil))
}

// A key encrypts one piece and nothing else, ever, so the nonce can be fixed.
var nonce [chacha20poly1305.NonceSize]byte

// seal makes the content of a piece's file. Its inverse is open.
func (s *secret) seal(plain []byte) []byte {
	aead, err := chacha20poly1305.New(s.key[:])
	if err != nil {
		panic("evidence.seal: " + err.Error()) // the key has the right size
	}
	b := append(make([]byte, 0, overhead+len(plain)), magicPiece...)
	return aead.Seal(b, nonce[:], plain, nil)
}

// open reads the content of a piece's file, or says why it is not what seal made.
func (s *secret) open(d events.Digest, b []byte) (plain []byte, why string) {
	sealed, ok := bytes.CutPrefix(b, []byte(magicPiece))
	if !ok {
		return nil, "it does not begin as a piece does"
	}
	aead, err := chacha20poly1305.New(s.key[:])
	if err != nil {
		panic("evidence.open: " + err.Error())
	}
	plain, err = aead.Open(nil, nonce[:], sealed, nil)
	if err != nil {
		return nil, "its bytes are not those that were written"
	}
	if s.digest(plain) != d {
		return nil, "its content has another digest"
	}
	return plain, ""
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sum binds the bytes of a key file to the piece that it is for.
func sum(d events.Digest, b []byte) uint32 {
	return crc32.Update(crc32.Checksum(d[:], castagnoli), castagnoli, b)
}

// appendKey appends the content of a key file. Its inverse is parseKey.
func appendKey(b []byte, d events.Digest, s secret) []byte {
	from := len(b)
	b = append(append(append(b, magicKey...), s.salt[:]...), s.key[:]...)
	return binary.LittleEndian.AppendUint32(b, sum(d, b[from:]))
}

// appendGone appends what erasure leaves of a key file.
func appendGone(b []byte, d events.Digest) []byte {
	from := len(b)
	b = append(append(b, magicGone...), make([]byte, keySize-4-len(magicGone))...)
	return binary.LittleEndian.AppendUint32(b, sum(d, b[from:]))
}

// parseKey reads a key file, or says why it is not what appendKey made, nor what erasure leaves.
func parseKey(b []byte, d events.Digest) (s secret, erased bool, why string) {
	if len(b) != keySize {
		return secret{}, false, "it has not the size of a key file"
	}
	body := b[:keySize-4]
	if binary.LittleEndian.Uint32(b[keySize-4:]) != sum(d, body) {
		return secret{}, false, "its bytes are not those that were written"
	}
	switch magic := string(body[:16]); magic {
	case magicGone:
		return secret{}, true, ""
	case magicKey:
		copy(s.salt[:], body[16:48])
		copy(s.key[:], body[48:])
		return s, false, ""
	}
	return secret{}, false, "it does not begin as a key file does"
}
