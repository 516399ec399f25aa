// Package people says who may come in to the office: people with a password, and programs with a token.
//
// Each has a Role. What a role may do is told by who asks; here stands only that a higher one may do what a lower one
// may. A password is kept as its argon2id hash (RFC 9106), a token as its SHA-256, for it is random and has nothing
// that could be guessed. Neither can be read back: who forgets a password gets another, and a token is shown once.
//
// Somebody who was let in holds a Pass. It holds until the person is removed or gets another role or password, or until
// the token is revoked or runs out: ask Holds with each request, and all of them are shut out at once.
//
// SignIn takes the same time for a name that is not known, and its error never tells which of the two was wrong. Wrong
// passwords make a name wait longer and longer, and so many in a minute make all names wait; that can be used to keep
// somebody out for a few minutes, but not those who are in already, nor tokens, nor the person at the machine. One hash
// is worked out at a time, and few wait for it, so that a flood of passwords takes neither the memory nor, for long,
// the processors.
//
// On disk, below Config.Dir, each file written whole or not at all, for the owner only, in JSON:
//
//	people/<name>.json   version, name, role, password (the hash, as $argon2id$v=19$m=…,t=…,p=…$salt$hash), since
//	tokens/<name>.json   version, name, role, areas, token_sha256, made, expires, by
//
// Times are in milliseconds of Unix time. <name> is in lower case, for names that differ in capitals only are one.
package people

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// The most people, and the most tokens, that there can be.
const most = 1000

// Errors about what is asked.
var (
	ErrName    = errors.New("the name cannot be given")
	ErrUnknown = errors.New("there is nobody and nothing of that name")
	ErrFull    = fmt.Errorf("there are %d already, and more are not kept", most)
)

// Config is what Open needs.
type Config struct {
	Dir string           // the folder of the centre's keys
	Now func() time.Time // nil: time.Now
}

// Pass is what somebody was let in by.
type Pass struct {
	Name  string
	Role  Role
	Areas []string // those of the API that a token is for; none: all

	token   bool
	edition uint64 // of the person or the token, as it was then
}

// Book holds people and tokens. Its methods may be called at the same time.
type Book struct {
	cfg   Config
	write func(path string, data []byte) error // disk.WriteFile, but for tests
	cost  cost                                 // recommended, but for tests

	hashes hashing
	tries  tries

	mu      sync.RWMutex // protects what follows, and the order of writes; the keys are names in lower case
	people  map[string]person
	tokens  map[string]token
	edition uint64 // of the newest change
}

// Open reads people and tokens.
func Open(cfg Config) (*Book, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	b := &Book{cfg: cfg, write: disk.WriteFile, cost: recommended, hashes: newHashing(), people: map[string]person{}, tokens: map[string]token{}}
	for dir, read := range map[string]func(name string, content []byte) error{b.dir("people"): b.readPerson, b.dir("tokens"): b.readToken} {
		if err := disk.MakeDir(dir); err != nil {
			return nil, err
		}
		if err := disk.Sweep(dir); err != nil {
			return nil, err
		}
		if err := disk.Each(dir, fileEnd, read); err != nil {
			return nil, err
		}
	}
	return b, nil
}

func (b *Book) dir(name string) string { return filepath.Join(b.cfg.Dir, name) }

// folded is how a name is looked up.
func folded(name string) string { return strings.ToLower(name) }

// checkName refuses what is no name; its error wraps ErrName.
func checkName(name string) error {
	if err := events.CheckIdentifier(name); err != nil {
		return fmt.Errorf("%w: %w", ErrName, err)
	}
	return nil
}

// next is the edition of a change. It needs mu.
func (b *Book) next() uint64 {
	b.edition++
	return b.edition
}

// Holds tells whether what somebody was let in by still lets them in.
func (b *Book) Holds(p Pass) bool {
	b.mu.RLock()
	defer b.mu.RUnlock()
	if p.token {
		t, ok := b.tokens[folded(p.Name)]
		return ok && t.edition == p.edition && b.cfg.Now().Before(t.Expires.Time())
	}
	x, ok := b.people[folded(p.Name)]
	return ok && x.edition == p.edition
}
