package agent

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/nats-io/nkeys"

	"ullage/agent/journal"
)

// keys are a device's two private keys: one seals its chain, one opens its connection. They are two, so that whoever
// takes over the connection can still not seal.
type keys struct {
	seal ed25519.PrivateKey
	conn []byte // seed of an nkey of a user
}

const (
	sealFile = "seal.pem" // PKCS 8
	connFile = "conn.nk"  // seed, as nkeys writes it
	lockFile = "lock"     // held while a device is enrolled
	sealType = "PRIVATE KEY"
)

// readKeys reads both keys of a folder. The error wraps fs.ErrNotExist where one is missing.
func (h home) readKeys() (keys, error) {
	var k keys
	b, err := os.ReadFile(filepath.Join(h.keys(), sealFile))
	if err != nil {
		return keys{}, err
	}
	block, _ := pem.Decode(b)
	if block == nil || block.Type != sealType {
		return keys{}, fmt.Errorf("%s holds no private key", filepath.Join(h.keys(), sealFile))
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return keys{}, fmt.Errorf("%s: %w", filepath.Join(h.keys(), sealFile), err)
	}
	seal, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return keys{}, fmt.Errorf("%s holds a key of another kind than Ed25519", filepath.Join(h.keys(), sealFile))
	}
	k.seal = seal
	if k.conn, err = os.ReadFile(filepath.Join(h.keys(), connFile)); err != nil {
		return keys{}, err
	}
	if _, err := k.connPublic(); err != nil {
		return keys{}, fmt.Errorf("%s: %w", filepath.Join(h.keys(), connFile), err)
	}
	return k, nil
}

// makeKeys reads the keys of a folder, or makes them and writes them durably where they are missing. Until release is
// called no other enrolment can do so.
func (h home) makeKeys() (k keys, release func() error, err error) {
	if err := disk.MkdirAll(h.keys()); err != nil {
		return keys{}, nil, err
	}
	lock, err := disk.Lock(filepath.Join(h.keys(), lockFile))
	if errors.Is(err, journal.ErrLocked) {
		return keys{}, nil, fmt.Errorf("another enrolment is under way in %s", h)
	}
	if err != nil {
		return keys{}, nil, err
	}
	if k, err = h.readKeys(); errors.Is(err, fs.ErrNotExist) {
		k, err = h.newKeys()
	}
	if err != nil {
		return keys{}, nil, errors.Join(err, lock.Close())
	}
	return k, lock.Close, nil
}

func (h home) newKeys() (keys, error) {
	_, seal, err := ed25519.GenerateKey(nil)
	if err != nil {
		return keys{}, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(seal)
	if err != nil {
		return keys{}, err
	}
	user, err := nkeys.CreateUser()
	if err != nil {
		return keys{}, err
	}
	defer user.Wipe()
	seed, err := user.Seed()
	if err != nil {
		return keys{}, err
	}
	if err := writeFile(filepath.Join(h.keys(), connFile), seed); err != nil {
		return keys{}, err
	}
	if err := writeFile(filepath.Join(h.keys(), sealFile), pem.EncodeToMemory(&pem.Block{Type: sealType, Bytes: der})); err != nil {
		return keys{}, err
	}
	return h.readKeys()
}

// sealPublic is the public half of the sealing key.
func (k keys) sealPublic() ed25519.PublicKey { return k.seal.Public().(ed25519.PublicKey) }

// connPublic is the public half of the connection key.
func (k keys) connPublic() (string, error) {
	user, err := nkeys.FromSeed(k.conn)
	if err != nil {
		return "", err
	}
	defer user.Wipe()
	public, err := user.PublicKey()
	if err == nil && !nkeys.IsValidPublicUserKey(public) {
		err = errors.New("not the key of a user")
	}
	return public, err
}
