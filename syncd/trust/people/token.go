package people

import (
	"cmp"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// TokenMark is what each token begins with, so that whoever looks for secrets that got loose knows one. 64 hexadecimal
// digits follow.
const TokenMark = "ullage-token-"

// MaxDays is the longest that a token holds.
const MaxDays = 400

// Errors about tokens.
var (
	ErrToken = errors.New("the token is not known here; it is wrong, or was revoked")
	ErrDays  = fmt.Errorf("a token holds for 1 to %d days", MaxDays)
)

// ExpiredError says that a token has run out.
type ExpiredError struct {
	Name    string
	Expires events.Millis
}

func (e *ExpiredError) Error() string {
	return fmt.Sprintf("the token %s ran out at %s; an admin can make another: ullage token make", e.Name, e.Expires.Format(0))
}

// Token is what lets a program in, apart from its secret, which is not kept.
type Token struct {
	Name    string
	Role    Role
	Areas   []string // those of the API that it is for; none: all
	Made    events.Millis
	Expires events.Millis
	By      string // who made it
}

type token struct {
	Token
	sum     events.Hash // SHA-256 of the secret
	edition uint64
}

// tokenFile is token on disk.
type tokenFile struct {
	Version int           `json:"version"`
	Name    string        `json:"name"`
	Role    Role          `json:"role"`
	Areas   []string      `json:"areas,omitempty"`
	Sum     string        `json:"token_sha256"`
	Made    events.Millis `json:"made"`
	Expires events.Millis `json:"expires"`
	By      string        `json:"by"`
}

func (b *Book) readToken(name string, content []byte) error {
	var f tokenFile
	if err := disk.Decode(content, &f, &f.Version, fileVersion); err != nil {
		return err
	}
	if err := fits(f.Name, name, f.Role); err != nil {
		return err
	}
	sum, err := events.ParseHash(f.Sum)
	if err != nil {
		return err
	}
	b.tokens[name] = token{Token{f.Name, f.Role, f.Areas, f.Made, f.Expires, f.By}, sum, b.next()}
	return nil
}

// MakeToken makes a token that holds for some days, and gives its secret, which cannot be had again. Of want, Name, Role,
// Areas and By are taken. Its error wraps ErrName, ErrDays or ErrFull.
func (b *Book) MakeToken(want Token, days int) (secret string, made Token, err error) {
	if err := checkName(want.Name); err != nil {
		return "", Token{}, err
	}
	if days < 1 || days > MaxDays {
		return "", Token{}, ErrDays
	}
	var random [32]byte
	rand.Read(random[:]) // never fails: crypto/rand ends the program instead
	secret = TokenMark + hex.EncodeToString(random[:])
	now := b.cfg.Now()
	want.Made, want.Expires = events.MillisOf(now), events.MillisOf(now.Add(time.Duration(days)*24*time.Hour))
	t := token{Token: want, sum: sha256.Sum256([]byte(secret))}
	content, err := json.MarshalIndent(tokenFile{fileVersion, t.Name, t.Role, t.Areas, t.sum.String(), t.Made, t.Expires, t.By}, "", "  ")
	if err != nil {
		return "", Token{}, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if other, ok := b.tokens[folded(want.Name)]; ok {
		return "", Token{}, fmt.Errorf("%w: there is a token %q; revoke it, or take another name", ErrName, other.Name)
	}
	if len(b.tokens) >= most {
		return "", Token{}, fmt.Errorf("%w; revoke those that have run out", ErrFull)
	}
	if err := b.write(b.path("tokens", t.Name), append(content, '\n')); err != nil {
		return "", Token{}, err
	}
	t.edition = b.next()
	b.tokens[folded(t.Name)] = t
	return secret, want, nil
}

// Tokens are all tokens that were not revoked, by name; those that have run out too.
func (b *Book) Tokens() []Token {
	b.mu.RLock()
	defer b.mu.RUnlock()
	all := make([]Token, 0, len(b.tokens))
	for _, t := range b.tokens {
		all = append(all, t.Token)
	}
	slices.SortFunc(all, func(x, y Token) int { return cmp.Compare(folded(x.Name), folded(y.Name)) })
	return all
}

// RevokeToken ends a token at once. Its error wraps ErrUnknown.
func (b *Book) RevokeToken(name string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.tokens[folded(name)]; !ok {
		return unknown(name)
	}
	if err := disk.Remove(b.path("tokens", name)); err != nil {
		return err
	}
	delete(b.tokens, folded(name))
	return nil
}

// LetIn lets in whoever shows the secret of a token, in a time that does not depend on how near a wrong one comes. Its
// error is ErrToken or an *ExpiredError.
func (b *Book) LetIn(secret string) (Pass, error) {
	if !strings.HasPrefix(secret, TokenMark) {
		return Pass{}, ErrToken
	}
	sum := sha256.Sum256([]byte(secret))
	b.mu.RLock()
	defer b.mu.RUnlock()
	var found token
	for _, t := range b.tokens {
		if subtle.ConstantTimeCompare(t.sum[:], sum[:]) == 1 {
			found = t
		}
	}
	switch {
	case found.edition == 0:
		return Pass{}, ErrToken
	case !b.cfg.Now().Before(found.Expires.Time()):
		return Pass{}, &ExpiredError{found.Name, found.Expires}
	}
	return Pass{found.Name, found.Role, found.Areas, true, found.edition}, nil
}
