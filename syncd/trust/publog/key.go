package publog

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"sync"

	"ullage/events/checkpoint"
	"ullage/syncd/trust/disk"
)

// ErrKey is in the error of OpenKey where the log's key is lost or cannot be read. It is never made anew in place of a
// lost one: to every device the log would be a stranger's.
var ErrKey = errors.New("the key of the public log")

// Key is what the log signs with, and what is remembered of it apart from the log itself: the epoch, and a newest
// checkpoint. Its methods may be called at the same time.
type Key struct {
	path    string
	private ed25519.PrivateKey

	mu   sync.Mutex // protects file, and the order of its writes
	file keyFile
}

// keyFile is a Key on disk; FORMAT.md tells it.
type keyFile struct {
	Version int    `json:"version"`
	Seed    []byte `json:"seed"`
	Key     []byte `json:"key"` // public; a damaged seed shows by it
	Epoch   uint64 `json:"epoch"`
	Newest  string `json:"newest"` // signed; empty before the first
	Ended   string `json:"ended"`  // signed: the newest of the epoch before, until its end has been told
}

const fileVersion = 1

// OpenKey loads the key at path, or makes it where there is no file and nothing says that there was one: used names
// what does, or is empty. Its error wraps ErrKey.
func OpenKey(path string, random io.Reader, used func() (string, error)) (*Key, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return makeKey(path, random, used)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrKey, err)
	}
	k := &Key{path: path}
	if err := k.read(b); err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrKey, path, err)
	}
	return k, nil
}

func makeKey(path string, random io.Reader, used func() (string, error)) (*Key, error) {
	trace, err := used()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrKey, err)
	}
	if trace != "" {
		return nil, fmt.Errorf("%w: %s is not there, but %s is: take it back from a backup", ErrKey, path, trace)
	}
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(random, seed); err != nil {
		return nil, fmt.Errorf("make %w: %w", ErrKey, err)
	}
	private := ed25519.NewKeyFromSeed(seed)
	k := &Key{path: path, private: private, file: keyFile{Version: fileVersion, Seed: seed, Key: private.Public().(ed25519.PublicKey), Epoch: 1}}
	if err := k.change(func(*keyFile) {}); err != nil {
		return nil, err
	}
	return k, nil
}

func (k *Key) read(b []byte) error {
	f := &k.file
	if err := disk.Decode(b, f, &f.Version, fileVersion); err != nil {
		return err
	}
	switch {
	case len(f.Seed) != ed25519.SeedSize:
		return fmt.Errorf("a seed of %d bytes", len(f.Seed))
	case f.Epoch < 1:
		return errors.New("epochs begin with 1")
	}
	k.private = ed25519.NewKeyFromSeed(f.Seed)
	if !bytes.Equal(k.Public(), f.Key) {
		return errors.New("the seed is damaged: it gives another public key")
	}
	for _, signed := range []string{f.Newest, f.Ended} {
		if signed == "" {
			continue
		}
		if _, err := checkpoint.Open(signed, k.Public()); err != nil {
			return fmt.Errorf("a checkpoint in it: %w", err)
		}
	}
	return nil
}

// Public is the key by which checkpoints hold.
func (k *Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// Sign signs a text that is no checkpoint: the manifest of a dossier, which begins with a label of its own. A text that
// a checkpoint could have is refused, so that no signature can be shown as one over a state of the log.
func (k *Key) Sign(text []byte) (signature []byte, err error) {
	if c, err := checkpoint.Parse(string(text)); err == nil {
		return nil, fmt.Errorf("sign a text: it is a checkpoint of %s", c.Origin)
	}
	return ed25519.Sign(k.private, text), nil
}

// prefix begins the origin of every epoch of this log.
func (k *Key) prefix() string {
	h := sha256.Sum256(k.Public())
	return "ullage.log/" + hex.EncodeToString(h[:8]) + "/"
}

// origin is the origin of an epoch. Its inverse is epochOf.
func (k *Key) origin(epoch uint64) string { return k.prefix() + strconv.FormatUint(epoch, 10) }

// epochOf is the epoch that an origin names; 0 where it is not one of this key.
func (k *Key) epochOf(origin string) uint64 {
	n, ok := strings.CutPrefix(origin, k.prefix())
	if !ok {
		return 0
	}
	epoch, err := strconv.ParseUint(n, 10, 32)
	if err != nil || k.origin(epoch) != origin {
		return 0
	}
	return epoch
}

func (k *Key) epoch() uint64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.file.Epoch
}

// newest is the checkpoint that is remembered of the present epoch; zero where none is.
func (k *Key) newest() checkpoint.Checkpoint {
	k.mu.Lock()
	defer k.mu.Unlock()
	return parsed(k.file.Newest)
}

// ended is the newest checkpoint of the epoch before; zero once its end has been told.
func (k *Key) ended() checkpoint.Checkpoint {
	k.mu.Lock()
	defer k.mu.Unlock()
	return parsed(k.file.Ended)
}

// parsed reads a note of the file, whose signature was checked when it came in.
func parsed(signed string) checkpoint.Checkpoint {
	if signed == "" {
		return checkpoint.Checkpoint{}
	}
	c, err := checkpoint.Parse(checkpoint.Text(signed))
	if err != nil {
		panic("publog: Key: " + err.Error())
	}
	return c
}

// remember notes the newest checkpoint.
func (k *Key) remember(signed string) error {
	return k.change(func(f *keyFile) { f.Newest = signed })
}

// begin begins an epoch. What is remembered of the one before stands as ended, until told is called; it is kept if it
// had not been told before.
func (k *Key) begin(epoch uint64) error {
	return k.change(func(f *keyFile) {
		f.Epoch = epoch
		if f.Newest != "" {
			f.Ended, f.Newest = f.Newest, ""
		}
	})
}

// told forgets the epoch that ended.
func (k *Key) told() error { return k.change(func(f *keyFile) { f.Ended = "" }) }

func (k *Key) change(fn func(*keyFile)) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	next := k.file
	fn(&next)
	b, err := json.MarshalIndent(next, "", "  ")
	if err != nil {
		return err
	}
	if err := disk.WriteFile(k.path, append(b, '\n')); err != nil {
		return err
	}
	k.file = next
	return nil
}
