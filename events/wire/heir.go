package wire

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"

	"ullage/events"
)

// HeirPath is where a device that has forked asks to go on under a name of its own: one HTTPS request, POST with an
// HeirRequest as JSON. It is answered with an EnrolAnswer and 200 once the office has let it in; until then, and where it
// is refused, with an EnrolRefusal: with 202 where it waits, with another status where it does not.
const HeirPath = "/heir"

// HeirRequest asks in for the identity that goes on where one has forked.
type HeirRequest struct {
	Parent    events.DeviceID `json:"parent"` // the identity that has forked
	SealKey   []byte          `json:"seal_key"`
	ConnKey   string          `json:"conn_key"`
	Software  string          `json:"software"`
	Signature []byte          `json:"signature"` // by the sealing key of the parent's enrolment
}

// ErrHeir is returned for a request whose signature does not hold.
var ErrHeir = errors.New("the signature of the request is not the parent's")

const labelHeir = "ullage.heir.1"

func (q *HeirRequest) signed() []byte {
	return events.Label(labelHeir).Text(string(q.Parent)).Bytes(q.SealKey).Text(q.ConnKey)
}

// Sign signs q by the parent's key.
func (q *HeirRequest) Sign(parent ed25519.PrivateKey) { q.Signature = ed25519.Sign(parent, q.signed()) }

// Verify returns ErrHeir unless the parent's key signed q.
func (q *HeirRequest) Verify(parent ed25519.PublicKey) error {
	if len(parent) != ed25519.PublicKeySize || !ed25519.Verify(parent, q.signed(), q.Signature) {
		return ErrHeir
	}
	return nil
}

// HeirName is the name of the identity that goes on from parent with a sealing key: the parent's, cut so that it fits, a
// hyphen, and the first 8 hexadecimal digits of the key's SHA-256.
func HeirName(parent events.DeviceID, key ed25519.PublicKey) events.DeviceID {
	h := sha256.Sum256(key)
	return parent[:min(len(parent), events.MaxIdentifier-9)] + events.DeviceID("-"+hex.EncodeToString(h[:4]))
}
