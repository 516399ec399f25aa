package wire

import (
	"encoding/base32"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"ullage/events"
)

// Enrolment is one HTTPS request: POST EnrolPath with an EnrolRequest as JSON, answered with an EnrolAnswer (200), or
// with an EnrolRefusal and another status.
const EnrolPath = "/enrol"

// MaxEnrol bounds the bytes of either side.
const MaxEnrol = 64 << 10

// EnrolRequest is what a device sends. It keeps both private keys.
type EnrolRequest struct {
	Secret   []byte `json:"secret"`   // of the code
	SealKey  []byte `json:"seal_key"` // Ed25519 public key, 32 bytes
	ConnKey  string `json:"conn_key"` // public nkey of a user
	Software string `json:"software"`
}

// EnrolAnswer is what the centre gives a device.
type EnrolAnswer struct {
	Device events.DeviceID `json:"device"`
	NATS   string          `json:"nats"` // where it connects; several servers of a cluster apart by commas
	JWT    string          `json:"jwt"`  // its user credential, without a seed
	Gates  []EnrolGate     `json:"gates"`
	Log    []byte          `json:"log"` // Ed25519 public key of the public log
}

// EnrolGate is a GateKey in JSON.
type EnrolGate struct {
	Gate events.DeviceID `json:"gate"`
	Key  []byte          `json:"key"`
}

// EnrolRefusal says why not.
type EnrolRefusal struct {
	Error string `json:"error"`
}

// Code is a one-time code of enrolment.
type Code struct {
	Secret  [16]byte
	Pin     events.Hash // of the key that the centre's certificates lead to: SHA-256 of its SubjectPublicKeyInfo
	Address string      // URL of enrolment
}

// ErrCode is in every error of ParseCode.
var ErrCode = errors.New("not a code of enrolment")

const (
	codeMark = "U1"
	maxCode  = 4096
)

var (
	bytesText   = base32.StdEncoding.WithPadding(base32.NoPadding)
	addressText = base64.RawURLEncoding
)

// String writes the code as U1-<secret, base32>-<pin, base32>-<address, base64url>. Its inverse is ParseCode.
func (c Code) String() string {
	return codeMark + "-" + bytesText.EncodeToString(c.Secret[:]) + "-" + bytesText.EncodeToString(c.Pin[:]) + "-" +
		addressText.EncodeToString([]byte(c.Address))
}

// ParseCode reads a code; spaces around it do not matter. Its error wraps ErrCode.
func ParseCode(s string) (Code, error) {
	s = strings.TrimSpace(s)
	p := strings.SplitN(s, "-", 4)
	if len(s) > maxCode || len(p) != 4 || p[0] != codeMark {
		return Code{}, fmt.Errorf("%w: it begins with %s- and has four parts", ErrCode, codeMark)
	}
	secret, err := bytesText.DecodeString(p[1])
	if err != nil || len(secret) != len(Code{}.Secret) {
		return Code{}, fmt.Errorf("%w: its second part has 26 letters and digits", ErrCode)
	}
	pin, err := bytesText.DecodeString(p[2])
	if err != nil || len(pin) != len(Code{}.Pin) {
		return Code{}, fmt.Errorf("%w: its third part has 52 letters and digits", ErrCode)
	}
	address, err := addressText.DecodeString(p[3])
	if err != nil || len(address) == 0 || !utf8.Valid(address) {
		return Code{}, fmt.Errorf("%w: its fourth part is no address", ErrCode)
	}
	c := Code{[16]byte(secret), events.Hash(pin), string(address)}
	if c.String() != s { // the decoders pass over line breaks and the bits that are left over
		return Code{}, fmt.Errorf("%w: it was changed on the way", ErrCode)
	}
	return c, nil
}
