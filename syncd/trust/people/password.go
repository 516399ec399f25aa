package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Bounds of a password. There are no rules of what it is made of; it is taken byte by byte, as it is typed.
const (
	MinPassword = 12   // characters
	MaxPassword = 1024 // bytes
)

// ErrPassword is in the errors about a password that cannot be taken.
var ErrPassword = errors.New("the password cannot be taken")

func checkPassword(password []byte) error {
	if n := utf8.RuneCount(password); n < MinPassword {
		return fmt.Errorf("%w: it has %d characters, at least %d are needed; a few words that do not belong together are easy to keep", ErrPassword, n, MinPassword)
	}
	if !utf8.Valid(password) {
		return fmt.Errorf("%w: it is not text in UTF-8", ErrPassword)
	}
	if len(password) > MaxPassword {
		return fmt.Errorf("%w: it has %d bytes, at most %d are allowed", ErrPassword, len(password), MaxPassword)
	}
	return nil
}

// hash is a password's, with what it was worked out by.
type hash struct {
	cost
	salt, sum []byte
}

// cost is how much work a hash is.
type cost struct {
	passes, kib uint32
	lanes       uint8
}

// recommended is the second recommended option of RFC 9106, section 4: 3 passes over 64 MiB in 4 lanes, with 128 bits
// of salt and 256 of sum.
var recommended = cost{3, 64 << 10, 4}

const (
	saltSize = 16
	sumSize  = 32
)

// mostCost is the most that a stored hash may ask for: it could else take all memory.
var mostCost = cost{16, 256 << 10, 16}

func newHash(c cost, password []byte) hash {
	h := hash{c, make([]byte, saltSize), nil}
	rand.Read(h.salt) // never fails: crypto/rand ends the program instead
	h.sum = h.of(password)
	return h
}

// nobodys is the hash that is worked out for a name that is not known. No password has its sum.
func nobodys(c cost) hash { return hash{c, make([]byte, saltSize), make([]byte, sumSize)} }

// of works out the sum of a password.
func (h hash) of(password []byte) []byte {
	return argon2.IDKey(password, h.salt, h.passes, h.kib, h.lanes, sumSize)
}

func (h hash) matches(password []byte) bool {
	return subtle.ConstantTimeCompare(h.of(password), h.sum) == 1
}

var b64 = base64.RawStdEncoding.Strict()

// String writes a hash as others do: $argon2id$v=19$m=65536,t=3,p=4$salt$sum.
func (h hash) String() string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.kib, h.passes, h.lanes, b64.EncodeToString(h.salt), b64.EncodeToString(h.sum))
}

// parseHash is the inverse of hash.String. It takes its own form only.
func parseHash(s string) (hash, error) {
	var h hash
	var version int
	var salt string
	wrong := func(why string) (hash, error) { return hash{}, fmt.Errorf("the hash of a password %s", why) }
	_, err := fmt.Sscanf(s, "$argon2id$v=%d$m=%d,t=%d,p=%d$%s", &version, &h.kib, &h.passes, &h.lanes, &salt)
	salt, sum, ok := strings.Cut(salt, "$")
	if err != nil || !ok {
		return wrong("is not of the form $argon2id$v=19$m=…,t=…,p=…$salt$sum")
	}
	if h.salt, err = b64.DecodeString(salt); err != nil {
		return wrong("has a salt that cannot be read")
	}
	if h.sum, err = b64.DecodeString(sum); err != nil {
		return wrong("has a sum that cannot be read")
	}
	switch {
	case version != argon2.Version:
		return wrong(fmt.Sprintf("is of version %d, which is not known here", version))
	case len(h.salt) < saltSize || len(h.salt) > 4*saltSize || len(h.sum) != sumSize:
		return wrong("has a salt or a sum of another size")
	case h.passes < 1 || h.passes > mostCost.passes || h.lanes < 1 || h.lanes > mostCost.lanes || h.kib < 8*uint32(h.lanes) || h.kib > mostCost.kib:
		return wrong("asks for more, or less, than is worked out here")
	case h.String() != s:
		return wrong("is not in its one form")
	}
	return h, nil
}

// ErrBusy says that too many passwords are being looked at.
var ErrBusy = errors.New("too many are signing in just now; try again in a moment")

// Passwords that wait to be looked at, beyond the one that is.
const mostWaiting = 8

// hashing lets one hash be worked out at a time: it takes all processors anyway, and much memory.
type hashing struct{ line, turn chan struct{} }

func newHashing() hashing {
	return hashing{make(chan struct{}, mostWaiting+1), make(chan struct{}, 1)}
}

// one waits for its turn, and works. Its error is ErrBusy or that of ctx; then nothing was done.
func (h hashing) one(ctx context.Context, work func()) error {
	select {
	case h.line <- struct{}{}:
	default:
		return ErrBusy
	}
	defer func() { <-h.line }()
	select {
	case h.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-h.turn }()
	work()
	return nil
}
