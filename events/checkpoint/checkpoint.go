// Package checkpoint is the language of the public log: a Merkle tree (RFC 6962) over the hashes of records, and
// checkpoints of it as signed notes (C2SP signed-note and tlog-checkpoint).
//
// A checkpoint says how many leaves the log has and what their root is. Whoever has checked one can have it proved
// that a later one extends it (Extends), and that a record is among its leaves (Includes). The leaf of a record is
// events.HashRecord of it.
//
// The package is pure. Its text form is three lines: origin, size in decimal, root in base64. Signed, an empty line and
// the log's signature follow, by the key whose name is the origin.
package checkpoint

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
)

// Limits.
const (
	MaxText  = 512  // bytes of a checkpoint's text
	MaxNote  = 1024 // bytes of a signed checkpoint
	MaxProof = 64   // hashes of a proof that Includes takes; one that Extends takes has at most twice as many
	maxSize  = 1 << 62
)

// Errors.
var (
	ErrForm      = errors.New("not the form of a checkpoint")
	ErrSignature = errors.New("the signature of the checkpoint does not hold")
	ErrProof     = errors.New("the proof does not hold")
)

// Checkpoint is a state of a log.
type Checkpoint struct {
	Origin string // which log it is, and which epoch of it
	Size   uint64 // number of leaves
	Root   events.Hash
}

// Signed is a checkpoint with the note that says it.
type Signed struct {
	Checkpoint
	Note string // the signed note
	News uint64 // size up to the last record that is more than a device's word on clock and log
}

// IsZero tells whether c is none.
func (c Checkpoint) IsZero() bool { return c == Checkpoint{} }

// Empty is the root of a log without leaves.
func Empty() events.Hash { return sha256.Sum256(nil) }

// Text is the unsigned text of c. Its inverse is Parse.
func (c Checkpoint) Text() string {
	return c.Origin + "\n" + strconv.FormatUint(c.Size, 10) + "\n" + base64.StdEncoding.EncodeToString(c.Root[:]) + "\n"
}

// Parse reads the unsigned text of a checkpoint. Its error wraps ErrForm.
func Parse(text string) (Checkpoint, error) {
	bad := func(format string, a ...any) (Checkpoint, error) {
		return Checkpoint{}, fmt.Errorf("%w: %s", ErrForm, fmt.Sprintf(format, a...))
	}
	if len(text) > MaxText {
		return bad("%d bytes, at most %d are allowed", len(text), MaxText)
	}
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[3] != "" {
		return bad("it is three lines: origin, size, root")
	}
	size, err := strconv.ParseUint(lines[1], 10, 64)
	if err != nil || size >= maxSize {
		return bad("the size is no number")
	}
	root, err := base64.StdEncoding.Strict().DecodeString(lines[2])
	if err != nil || len(root) != len(events.Hash{}) {
		return bad("the root is no hash in base64")
	}
	c := Checkpoint{lines[0], size, events.Hash(root)}
	if err := checkOrigin(c.Origin); err != nil {
		return bad("%v", err)
	}
	if c.Text() != text {
		return bad("it can be written shorter")
	}
	return c, nil
}

// checkOrigin holds an origin to what the name of a note's key may be: printable ASCII without space and plus.
func checkOrigin(origin string) error {
	if origin == "" {
		return errors.New("the origin is empty")
	}
	for i := range len(origin) {
		if b := origin[i]; b <= ' ' || b > '~' || b == '+' {
			return fmt.Errorf("the origin has the byte %02x", b)
		}
	}
	return nil
}

// KeyName is the C2SP verifier key of a log: what a stranger needs to check its checkpoints.
func KeyName(origin string, key ed25519.PublicKey) string {
	return fmt.Sprintf("%s+%08x+%s", origin, keyID(origin, key), base64.StdEncoding.EncodeToString(append([]byte{algEd25519}, key...)))
}

// ParseKeyName is the inverse of KeyName.
func ParseKeyName(s string) (origin string, key ed25519.PublicKey, err error) {
	if len(s) > MaxText {
		return "", nil, fmt.Errorf("%d bytes are no key of a log", len(s))
	}
	v, err := note.NewVerifier(s)
	if err != nil {
		return "", nil, fmt.Errorf("%.100q is no key of a log: it looks like NAME+12345678+BASE64", s)
	}
	_, rest, _ := strings.Cut(s, "+")
	_, data, _ := strings.Cut(rest, "+")
	raw, err := base64.StdEncoding.Strict().DecodeString(data)
	if err != nil || len(raw) != 1+ed25519.PublicKeySize || KeyName(v.Name(), raw[1:]) != s {
		return "", nil, fmt.Errorf("%.100q is no key of a log: it can be written shorter", s)
	}
	return v.Name(), raw[1:], nil
}

const algEd25519 = 1

// keyID is the C2SP number of a key: the first four bytes of SHA-256(name | 0x0A | 0x01 | key).
func keyID(name string, key ed25519.PublicKey) uint32 {
	h := sha256.Sum256(append([]byte(name+"\n\x01"), key...))
	return binary.BigEndian.Uint32(h[:])
}

// Sign makes the signed note of c. Its inverse is Open.
func Sign(c Checkpoint, key ed25519.PrivateKey) (string, error) {
	if _, err := Parse(c.Text()); err != nil {
		return "", err
	}
	public := key.Public().(ed25519.PublicKey)
	skey := fmt.Sprintf("PRIVATE+KEY+%s+%08x+%s", c.Origin, keyID(c.Origin, public), base64.StdEncoding.EncodeToString(append([]byte{algEd25519}, key.Seed()...)))
	signer, err := note.NewSigner(skey)
	if err != nil {
		return "", fmt.Errorf("sign a checkpoint: %w", err)
	}
	signed, err := note.Sign(&note.Note{Text: c.Text()}, signer)
	return string(signed), err
}

// Open reads a signed checkpoint that the log's key has signed under the name of the origin. Signatures by others are
// passed over. Its errors wrap ErrForm or ErrSignature.
func Open(signed string, key ed25519.PublicKey) (Checkpoint, error) {
	if len(signed) > MaxNote {
		return Checkpoint{}, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(signed), MaxNote)
	}
	text, _, ok := strings.Cut(signed, "\n\n")
	if !ok {
		return Checkpoint{}, fmt.Errorf("%w: no signature", ErrForm)
	}
	c, err := Parse(text + "\n")
	if err != nil {
		return Checkpoint{}, err
	}
	if len(key) != ed25519.PublicKeySize {
		return Checkpoint{}, fmt.Errorf("%w: a key of %d bytes", ErrSignature, len(key))
	}
	v, err := note.NewVerifier(KeyName(c.Origin, key))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("%w: %w", ErrSignature, err)
	}
	n, err := note.Open([]byte(signed), note.VerifierList(v))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("%w: %w", ErrSignature, err)
	}
	return Parse(n.Text)
}

// Text is the unsigned text in a signed checkpoint, whose signature is not looked at.
func Text(signed string) string {
	text, _, _ := strings.Cut(signed, "\n\n")
	return text + "\n"
}

// Extends returns nil where proof shows that the log of now has all leaves of the log of then, in their places, before
// its others. That the two have one origin is not asked. Its error wraps ErrProof.
func Extends(then, now Checkpoint, proof []events.Hash) error {
	if then.Size > now.Size {
		return fmt.Errorf("%w: %d leaves are less than %d", ErrProof, now.Size, then.Size)
	}
	if then.Size == now.Size || then.Size == 0 {
		switch {
		case len(proof) > 0:
			return fmt.Errorf("%w: there is nothing to prove", ErrProof)
		case then.Size == 0 && then.Root != Empty(), then.Size == now.Size && then.Root != now.Root:
			return fmt.Errorf("%w: another root for %d leaves", ErrProof, then.Size)
		}
		return nil
	}
	if len(proof) > 2*MaxProof {
		return fmt.Errorf("%w: %d hashes", ErrProof, len(proof))
	}
	if err := tlog.CheckTree(tlogProof(proof), int64(now.Size), tlog.Hash(now.Root), int64(then.Size), tlog.Hash(then.Root)); err != nil {
		return fmt.Errorf("%w: %w", ErrProof, err)
	}
	return nil
}

// Includes returns nil where proof shows that the leaf stands at index, counted from 0, of the log. Its error wraps
// ErrProof.
func Includes(c Checkpoint, index uint64, leaf events.Hash, proof []events.Hash) error {
	if index >= c.Size || len(proof) > MaxProof {
		return fmt.Errorf("%w: leaf %d of %d, with %d hashes", ErrProof, index, c.Size, len(proof))
	}
	if err := tlog.CheckRecord(tlogProof(proof), int64(c.Size), tlog.Hash(c.Root), int64(index), tlog.Hash(leaf)); err != nil {
		return fmt.Errorf("%w: %w", ErrProof, err)
	}
	return nil
}

func tlogProof(proof []events.Hash) []tlog.Hash {
	list := make([]tlog.Hash, len(proof))
	for i, h := range proof {
		list[i] = tlog.Hash(h)
	}
	return list
}

// Root is the root over some leaves. It is for few of them: a log keeps the hashes within its tree instead.
func Root(leaves []events.Hash) events.Hash {
	switch len(leaves) {
	case 0:
		return Empty()
	case 1:
		return leaves[0]
	}
	k := 1
	for 2*k < len(leaves) {
		k *= 2
	}
	return events.Hash(tlog.NodeHash(tlog.Hash(Root(leaves[:k])), tlog.Hash(Root(leaves[k:]))))
}
