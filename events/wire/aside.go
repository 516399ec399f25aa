package wire

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"

	"ullage/events"
	"ullage/events/pack"
)

// AsidePath is where a revoked device, which cannot connect any more, hands over what it still holds: one HTTP request,
// POST with an AsideRequest, for each push. It is answered with AsideTaken and the status 200 where all of its records
// are at the centre now, and with AsideNot and another status where they are not.
const AsidePath = "/aside"

// The answers, which say nothing else to whoever asks.
const (
	AsideTaken = "taken\n"
	AsideNot   = "not\n"
)

// MaxAside bounds the bytes of a request.
const MaxAside = MaxFrame + 256

// AsideType is the media type of a request.
const AsideType = "application/octet-stream"

// AsideRequest is a push of a revoked device, signed by it.
type AsideRequest struct {
	Device    events.DeviceID
	Push      []byte // an encoded PushRequest
	Signature []byte // by the key that seals the push
}

// ErrAside is returned for a request whose signature does not hold.
var ErrAside = errors.New("the signature of what is handed over does not hold")

const labelAside = "ullage.aside.1"

func (q *AsideRequest) signed() []byte {
	push := sha256.Sum256(q.Push)
	return events.Label(labelAside).Text(string(q.Device)).Bytes(push[:])
}

// Sign signs q by the key that seals its push.
func (q *AsideRequest) Sign(key ed25519.PrivateKey) { q.Signature = ed25519.Sign(key, q.signed()) }

// Verify returns ErrAside unless key signed q.
func (q *AsideRequest) Verify(key ed25519.PublicKey) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, q.signed(), q.Signature) {
		return ErrAside
	}
	return nil
}

// Encode writes q; its inverse is DecodeAside.
func (q *AsideRequest) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 256+len(q.Push)), 4)
	b = pack.AppendUint(b, Version)
	b = pack.AppendString(b, string(q.Device))
	b = pack.AppendBin(b, q.Push)
	return pack.AppendBin(b, q.Signature)
}

// DecodeAside reads a request; Push is a part of b.
func DecodeAside(b []byte) (*AsideRequest, error) {
	in, err := open(b, MaxAside, 4)
	if err != nil {
		return nil, err
	}
	q := &AsideRequest{device(in), bin(in, MaxFrame), bytes.Clone(fixed(in, ed25519.SignatureSize))}
	return whole("what is handed over", in, q)
}
