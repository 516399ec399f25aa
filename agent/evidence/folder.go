package evidence

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"unicode/utf8"

	"ullage/events"
	"ullage/events/entry"
)

// MaxPiece is the greatest size of a piece, in bytes.
const MaxPiece = 32 << 20

// Sentinels.
var (
	ErrTooLarge = errors.New("the piece is larger than 32 MiB")
	ErrReadOnly = errors.New("the evidence was opened for reading only")
	ErrDamaged  = errors.New("a piece of evidence is damaged")
)

// DamagedError names a piece that is not what it was. It is an ErrDamaged.
type DamagedError struct {
	Digest events.Digest
	File   string // the file at fault
	Why    string
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("evidence %s is damaged: %s: %s", e.Digest, e.File, e.Why)
}

// Is makes every DamagedError an ErrDamaged.
func (e *DamagedError) Is(target error) bool { return target == ErrDamaged }

// Folder is a folder of pieces.
type Folder struct {
	dir    string
	write  bool
	random io.Reader
	step   func(what string) error // of tests: called before each effect on the disk
}

// Open opens a folder for reading and writing, makes it where there is none, and removes what a crash left half
// written. One process at a time may have it open so.
func Open(dir string) (*Folder, error) {
	f := &Folder{dir: dir, write: true, random: rand.Reader}
	for _, d := range []string{f.dir, f.keys(), f.pieces(), f.unfinished()} {
		if err := makeFolder(d); err != nil {
			return nil, fmt.Errorf("open evidence: %w", err)
		}
	}
	if err := f.clean(); err != nil {
		return nil, fmt.Errorf("open evidence: %w", err)
	}
	return f, nil
}

// View opens a folder for reading only, also while another process writes. A folder that is not there has no pieces.
func View(dir string) *Folder { return &Folder{dir: dir} }

func (f *Folder) keys() string       { return filepath.Join(f.dir, "keys") }
func (f *Folder) pieces() string     { return filepath.Join(f.dir, "pieces") }
func (f *Folder) unfinished() string { return filepath.Join(f.dir, "tmp") }

func (f *Folder) keyFile(d events.Digest) string   { return filepath.Join(f.keys(), d.String()) }
func (f *Folder) pieceFile(d events.Digest) string { return filepath.Join(f.pieces(), d.String()) }

// Keep keeps a piece under a fresh salt and returns its digest, once all of it is on the disk. The same bytes kept
// twice are two pieces. Errors: ErrTooLarge, ErrReadOnly, and what the disk says.
func (f *Folder) Keep(plain []byte) (events.Digest, error) {
	if !f.write {
		return events.Digest{}, ErrReadOnly
	}
	if len(plain) > MaxPiece {
		return events.Digest{}, fmt.Errorf("%w: %d bytes", ErrTooLarge, len(plain))
	}
	var s secret
	if _, err := io.ReadFull(f.random, s.salt[:]); err != nil {
		return events.Digest{}, fmt.Errorf("keep evidence: %w", err)
	}
	if _, err := io.ReadFull(f.random, s.key[:]); err != nil {
		return events.Digest{}, fmt.Errorf("keep evidence: %w", err)
	}
	d := s.digest(plain)
	// The key first: a piece without its key could never be read again. For that reason a key stays where the piece
	// fails, for all we know after its file was in place. Nobody has learnt of the digest.
	if err := f.put(f.keyFile(d), appendKey(nil, d, s)); err != nil {
		return events.Digest{}, fmt.Errorf("keep evidence: %w", err)
	}
	if err := f.put(f.pieceFile(d), s.seal(plain)); err != nil {
		return events.Digest{}, fmt.Errorf("keep evidence: %w", err)
	}
	return d, nil
}

// Piece returns a piece, whatever its size; ok is false where it is not here, or was erased. The error is a
// DamagedError, or what the disk says.
func (f *Folder) Piece(d events.Digest) (plain []byte, ok bool, err error) {
	return f.piece(d, MaxPiece)
}

// Salted returns a piece as Piece does, and the salt that its digest is made with: whoever gets both can tell that it is
// the piece which a record names.
func (f *Folder) Salted(d events.Digest) (plain []byte, salt [32]byte, ok bool, err error) {
	plain, ok, err = f.Piece(d)
	if err != nil || !ok {
		return nil, salt, false, err
	}
	s, ok, err := f.secret(d)
	if err != nil || !ok { // it was erased meanwhile
		return nil, salt, false, err
	}
	return plain, s.salt, true, nil
}

// Text returns a piece that is a text of at most entry.MaxPlain bytes; ok is false where it is none, is not here, or
// was erased. The error is a DamagedError, or what the disk says.
func (f *Folder) Text(d events.Digest) (plain []byte, ok bool, err error) {
	plain, ok, err = f.piece(d, entry.MaxPlain)
	if !utf8.Valid(plain) {
		return nil, false, err
	}
	return plain, ok, err
}

// piece reads a piece unless it is larger than most.
func (f *Folder) piece(d events.Digest, most int) ([]byte, bool, error) {
	sealed, size, err := read(f.pieceFile(d), most+overhead)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read evidence: %w", err)
	}
	if size > int64(MaxPiece+overhead) {
		return nil, false, f.damaged(d, f.pieceFile(d), "it is larger than any piece")
	}
	if sealed == nil {
		return nil, false, nil
	}
	s, ok, err := f.secret(d)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, false, f.damaged(d, f.keyFile(d), "its key is missing")
	case err != nil || !ok:
		return nil, false, err
	}
	plain, why := s.open(d, sealed)
	if why != "" {
		return nil, false, f.damaged(d, f.pieceFile(d), why)
	}
	return plain, true, nil
}

// secret reads the key file of a piece; ok is false where it was erased. The error wraps fs.ErrNotExist where there is
// none.
func (f *Folder) secret(d events.Digest) (secret, bool, error) {
	b, _, err := read(f.keyFile(d), keySize)
	if err != nil {
		return secret{}, false, fmt.Errorf("read evidence: %w", err)
	}
	s, erased, why := parseKey(b, d)
	if why != "" {
		return secret{}, false, f.damaged(d, f.keyFile(d), why)
	}
	return s, !erased, nil
}

// Same tells whether plain, under the salt that is kept for d, has the digest d; false where no salt is kept, or it was
// erased. The piece itself need not be here. The error is a DamagedError, or what the disk says.
func (f *Folder) Same(d events.Digest, plain []byte) (bool, error) {
	s, ok, err := f.secret(d)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return ok && s.digest(plain) == d, err
}

// Has tells whether a piece is here, with its key; it does not read it.
func (f *Folder) Has(d events.Digest) (bool, error) {
	_, err := os.Stat(f.pieceFile(d))
	if err == nil {
		var ok bool
		if _, ok, err = f.secret(d); err == nil {
			return ok, nil
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return false, err
}

func (f *Folder) damaged(d events.Digest, file, why string) error {
	return &DamagedError{d, file, why}
}
