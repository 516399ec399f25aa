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

// keys are the two private keys that a device is enrolled with: one seals its chain, until it is renewed (ring), one opens
// its connection. They are two, so that whoever
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

// sealKey is the file of the sealing key of the enrolment.
func (h home) sealKey() string { return filepath.Join(h.keys(), sealFile) }

// readKeys reads both keys of a folder. The error wraps fs.ErrNotExist where one is missing.
func (h home) readKeys() (keys, error) {
	var k keys
	var err error
	if k.seal, err = readSealKey(h.sealKey()); err != nil {
		return keys{}, err
	}
	if k.conn, err = os.ReadFile(filepath.Join(h.keys(), connFile)); err != nil {
		return keys{}, err
	}
	if _, err := k.connPublic(); err != nil {
		return keys{}, fmt.Errorf("%s: %w", filepath.Join(h.keys(), connFile), err)
	}
	return k, nil
}

// readSealKey reads a sealing key. The error wraps fs.ErrNotExist where there is none.
func readSealKey(path string) (ed25519.PrivateKey, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(b)
	if block == nil || block.Type != sealType {
		return nil, fmt.Errorf("%s holds no private key", path)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	key, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s holds a key of another kind than Ed25519", path)
	}
	return key, nil
}

// writeSealKey is the inverse of readSealKey.
func writeSealKey(path string, key ed25519.PrivateKey) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	return writeFile(path, pem.EncodeToMemory(&pem.Block{Type: sealType, Bytes: der}))
}

// makeKeys reads the keys of a folder, or makes them and writes them durably where they are missing. Until release is
// called no other enrolment can do so.
func (h home) makeKeys(random func([]byte) error) (k keys, release func() error, err error) {
	if err := system.MkdirAll(h.keys()); err != nil {
		return keys{}, nil, err
	}
	lock, err := system.Lock(filepath.Join(h.keys(), lockFile))
	if errors.Is(err, journal.ErrLocked) {
		return keys{}, nil, fmt.Errorf("another enrolment is under way in %s", h)
	}
	if err != nil {
		return keys{}, nil, err
	}
	if k, err = h.readKeys(); errors.Is(err, fs.ErrNotExist) {
		k, err = h.newKeys(random)
	}
	if err != nil {
		return keys{}, nil, errors.Join(err, lock.Close())
	}
	return k, lock.Close, nil
}

func (h home) newKeys(random func([]byte) error) (keys, error) {
	seal, err := newSealKey(random)
	if err != nil {
		return keys{}, err
	}
	raw := make([]byte, ed25519.SeedSize)
	if err := random(raw); err != nil {
		return keys{}, err
	}
	user, err := nkeys.FromRawSeed(nkeys.PrefixByteUser, raw)
	clear(raw)
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
	if err := writeSealKey(h.sealKey(), seal); err != nil {
		return keys{}, err
	}
	return h.readKeys()
}

// newSealKey makes a sealing key.
func newSealKey(random func([]byte) error) (ed25519.PrivateKey, error) {
	seed := make([]byte, ed25519.SeedSize)
	if err := random(seed); err != nil {
		return nil, err
	}
	defer clear(seed)
	return ed25519.NewKeyFromSeed(seed), nil
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
