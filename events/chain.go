package events

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
)

// Labels of what is signed or hashed. Everything signed begins with its own, so that no signature can be shown as one
// over something else.
const (
	labelChain = "ullage.chain.1"
	labelSeal  = "ullage.seal.1"
)

// Labelled writes the bytes of one labelled thing: the label in ASCII, then each field with its length before it, as
// four bytes big-endian.
type Labelled []byte

// Label begins labelled bytes.
func Label(label string) Labelled { return Labelled(label) }

// Bytes adds a field.
func (l Labelled) Bytes(p []byte) Labelled {
	return append(binary.BigEndian.AppendUint32(l, uint32(len(p))), p...)
}

// Text adds a field.
func (l Labelled) Text(s string) Labelled {
	return append(binary.BigEndian.AppendUint32(l, uint32(len(s))), s...)
}

// Uint adds a number as a field of eight bytes, big-endian.
func (l Labelled) Uint(u uint64) Labelled {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint32(l, 8), u)
}

// HashRecord is the hash of a record's bytes: SHA-256(0x00 | record). It is also its leaf in the public log.
func HashRecord(record []byte) Hash {
	// Most records fit into the buffer, which then stays on the stack: every reader hashes every record.
	var buffer [512]byte
	return sha256.Sum256(append(buffer[:1], record...))
}

// FirstLink is link[0] of a device's chain, from which its first record goes on.
func FirstLink(device DeviceID, key ed25519.PublicKey) Hash {
	return sha256.Sum256(Label(labelChain).Text(string(device)).Bytes(key))
}

// Link is the next link: SHA-256(0x02 | link | hash of the next record).
func Link(link, record Hash) Hash {
	var b [1 + 2*len(link)]byte
	b[0] = 2
	copy(b[1:], link[:])
	copy(b[1+len(link):], record[:])
	return sha256.Sum256(b[:])
}

// Head is the end of a device's chain, after which its next record is written.
type Head struct {
	Device DeviceID
	Seq    Seq   // of the last record; 0 where there is none
	Link   Hash  // link[Seq]
	Clock  Clock // of the last record
}

// Seal is a device's signature over a link of its chain; it covers every record up to Seq.
type Seal struct {
	Seq       Seq
	Seen      string // unsigned text of the newest checkpoint that the device has checked; empty for none
	Signature []byte // 64 bytes
}

// ErrSeal is returned for a seal whose signature does not hold.
var ErrSeal = errors.New("the seal does not hold")

func sealBytes(device DeviceID, seq Seq, link Hash, seen string) []byte {
	return Label(labelSeal).Text(string(device)).Uint(uint64(seq)).Bytes(link[:]).Text(seen)
}

// SignSeal seals the chain of device at seq, where its link is link. Its inverse is VerifySeal.
func SignSeal(key ed25519.PrivateKey, device DeviceID, seq Seq, link Hash, seen string) Seal {
	return Seal{seq, seen, ed25519.Sign(key, sealBytes(device, seq, link, seen))}
}

// VerifySeal returns ErrSeal unless s is the seal of device, by key, over link at s.Seq.
func VerifySeal(key ed25519.PublicKey, device DeviceID, link Hash, s Seal) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, sealBytes(device, s.Seq, link, s.Seen), s.Signature) {
		return ErrSeal
	}
	return nil
}
