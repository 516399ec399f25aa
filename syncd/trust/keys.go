package trust

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// ErrKeys is in the error of Open where the centre's keys are lost or cannot be read. They are never made anew in
// place of lost ones: every device would be a stranger, and the records already received would lie out of reach.
var ErrKeys = errors.New("the centre's keys")

// The names by which the first centre writes and signs.
const (
	officeID = events.DeviceID("office-1")
	gateID   = events.DeviceID("gate-1")
)

// pair is an nkey with its public half at hand.
type pair struct {
	nkeys.KeyPair
	public string
}

func pairOf(kp nkeys.KeyPair, err error) (pair, error) {
	if err != nil {
		return pair{}, err
	}
	public, err := kp.PublicKey()
	return pair{kp, public}, err
}

// signer is an Ed25519 key and the name it signs by.
type signer struct {
	id  events.DeviceID
	key ed25519.PrivateKey
}

func (s signer) public() ed25519.PublicKey { return s.key.Public().(ed25519.PublicKey) }

// keys are the centre's own.
type keys struct {
	operator, system, centre, devices, feed pair
	office, gate                            signer
}

// keyFile is keys on disk. All of them stand in one file, so that a first start that was cut short has left all or
// none.
type keyFile struct {
	Version  int        `json:"version"`
	Operator string     `json:"operator"` // seeds of nkeys, which have a checksum in them
	System   string     `json:"system"`
	Centre   string     `json:"centre"`
	Devices  string     `json:"devices"`
	Feed     string     `json:"feed"`
	Office   signerFile `json:"office"`
	Gate     signerFile `json:"gate"`
}

type signerFile struct {
	ID   events.DeviceID `json:"id"`
	Seed []byte          `json:"seed"`
	Key  []byte          `json:"key"` // public; a damaged seed shows by it
}

const fileVersion = 1

// openKeys loads the keys at path, or makes them where there is no file and nothing says that there was one.
func openKeys(path string, random io.Reader, used func() (string, error)) (*keys, bool, error) {
	b, err := os.ReadFile(path)
	if err == nil {
		k, err := readKeys(b)
		if err != nil {
			return nil, false, fmt.Errorf("%w: %s: %w", ErrKeys, path, err)
		}
		return k, false, nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return nil, false, fmt.Errorf("%w: %w", ErrKeys, err)
	}
	trace, err := used()
	if err != nil {
		return nil, false, err
	}
	if trace != "" {
		return nil, false, fmt.Errorf("%w: %s is not there, but %s is: take it back from a backup", ErrKeys, path, trace)
	}
	f, err := makeKeys(random)
	if err != nil {
		return nil, false, fmt.Errorf("make the centre's keys: %w", err)
	}
	b, err = json.MarshalIndent(f, "", "  ")
	if err != nil {
		return nil, false, err
	}
	k, err := readKeys(b)
	if err != nil {
		return nil, false, err
	}
	return k, true, disk.WriteFile(path, append(b, '\n'))
}

func makeKeys(random io.Reader) (*keyFile, error) {
	f := &keyFile{Version: fileVersion}
	for _, n := range []struct {
		prefix nkeys.PrefixByte
		to     *string
	}{
		{nkeys.PrefixByteOperator, &f.Operator}, {nkeys.PrefixByteAccount, &f.System},
		{nkeys.PrefixByteAccount, &f.Centre}, {nkeys.PrefixByteAccount, &f.Devices}, {nkeys.PrefixByteAccount, &f.Feed},
	} {
		kp, err := nkeys.CreatePairWithRand(n.prefix, random)
		if err != nil {
			return nil, err
		}
		seed, err := kp.Seed()
		if err != nil {
			return nil, err
		}
		*n.to = string(seed)
	}
	for _, s := range []struct {
		id events.DeviceID
		to *signerFile
	}{{officeID, &f.Office}, {gateID, &f.Gate}} {
		seed := make([]byte, ed25519.SeedSize)
		if _, err := io.ReadFull(random, seed); err != nil {
			return nil, err
		}
		*s.to = signerFile{s.id, seed, ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)}
	}
	return f, nil
}

func readKeys(b []byte) (*keys, error) {
	var f keyFile
	if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
		return nil, err
	}
	k := &keys{}
	for _, n := range []struct {
		name   string
		seed   string
		prefix nkeys.PrefixByte
		to     *pair
	}{
		{"operator", f.Operator, nkeys.PrefixByteOperator, &k.operator}, {"system", f.System, nkeys.PrefixByteAccount, &k.system},
		{"centre", f.Centre, nkeys.PrefixByteAccount, &k.centre}, {"devices", f.Devices, nkeys.PrefixByteAccount, &k.devices},
		{"feed", f.Feed, nkeys.PrefixByteAccount, &k.feed},
	} {
		p, err := pairOf(nkeys.FromSeed([]byte(n.seed)))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", n.name, err)
		}
		if nkeys.Prefix(p.public) != n.prefix {
			return nil, fmt.Errorf("%s: a key of another kind", n.name)
		}
		*n.to = p
	}
	for _, s := range []struct {
		name string
		file signerFile
		to   *signer
	}{{"office", f.Office, &k.office}, {"gate", f.Gate, &k.gate}} {
		if err := events.CheckIdentifier(string(s.file.ID)); err != nil {
			return nil, fmt.Errorf("%s: %w", s.name, err)
		}
		if len(s.file.Seed) != ed25519.SeedSize {
			return nil, fmt.Errorf("%s: a seed of %d bytes", s.name, len(s.file.Seed))
		}
		*s.to = signer{s.file.ID, ed25519.NewKeyFromSeed(s.file.Seed)}
		if !bytes.Equal(s.to.public(), s.file.Key) {
			return nil, fmt.Errorf("%s: the seed is damaged: it gives another public key", s.name)
		}
	}
	return k, nil
}

const tokenBytes = 32

// openToken loads the token of the local API, or makes it where there is none: whoever loses it, or wants another,
// takes the file away and starts again.
func openToken(path string, random io.Reader) (string, error) {
	b, err := os.ReadFile(path)
	if err == nil {
		token := string(bytes.TrimSpace(b))
		if raw, err := hex.DecodeString(token); err != nil || len(raw) != tokenBytes {
			return "", fmt.Errorf("%s holds no token: %d hexadecimal digits are one; take the file away for a new one", path, 2*tokenBytes)
		}
		return token, nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return "", fmt.Errorf("token: %w", err)
	}
	raw := make([]byte, tokenBytes)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("make the token: %w", err)
	}
	token := hex.EncodeToString(raw)
	return token, disk.WriteFile(path, []byte(token+"\n"))
}

// traceOf says which of the folders has something in it, if any has.
func traceOf(dirs ...string) (string, error) {
	for _, d := range dirs {
		entries, err := os.ReadDir(d)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
		if len(entries) > 0 {
			return filepath.Join(d, entries[0].Name()), nil
		}
	}
	return "", nil
}
