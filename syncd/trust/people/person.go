package people

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// Person is somebody who may sign in.
type Person struct {
	Name  string
	Role  Role
	Since events.Millis
}

type person struct {
	Person
	password hash
	edition  uint64
}

// personFile is person on disk.
type personFile struct {
	Version  int           `json:"version"`
	Name     string        `json:"name"`
	Role     Role          `json:"role"`
	Password string        `json:"password"`
	Since    events.Millis `json:"since"`
}

func (b *Book) readPerson(name string, content []byte) error {
	var f personFile
	if err := disk.Decode(content, &f, &f.Version, fileVersion); err != nil {
		return err
	}
	if err := fits(f.Name, name, f.Role); err != nil {
		return err
	}
	h, err := parseHash(f.Password)
	if err != nil {
		return err
	}
	b.people[name] = person{Person{f.Name, f.Role, f.Since}, h, b.next()}
	return nil
}

// keep writes a person down. It needs mu.
func (b *Book) keep(p person) error {
	content, err := json.MarshalIndent(personFile{fileVersion, p.Name, p.Role, p.password.String(), p.Since}, "", "  ")
	if err != nil {
		return err
	}
	if err := b.write(b.path("people", p.Name), append(content, '\n')); err != nil {
		return err
	}
	p.edition = b.next()
	b.people[folded(p.Name)] = p
	return nil
}

// People are all people, by name.
func (b *Book) People() []Person {
	b.mu.RLock()
	defer b.mu.RUnlock()
	all := make([]Person, 0, len(b.people))
	for _, p := range b.people {
		all = append(all, p.Person)
	}
	slices.SortFunc(all, func(x, y Person) int { return cmp.Compare(folded(x.Name), folded(y.Name)) })
	return all
}

// Known gives a name as it was entered, if somebody of that name may sign in.
func (b *Book) Known(name string) (string, bool) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	p, ok := b.people[folded(name)]
	return p.Name, ok
}

// hash works out the hash of a password, where it is one that can be taken.
func (b *Book) hash(ctx context.Context, password []byte) (h hash, err error) {
	if err := checkPassword(password); err != nil {
		return hash{}, err
	}
	err = b.hashes.one(ctx, func() { h = newHash(b.cost, password) })
	return h, err
}

// AddPerson lets somebody sign in. Its error wraps ErrName, ErrPassword, ErrFull or ErrBusy.
func (b *Book) AddPerson(ctx context.Context, name string, role Role, password []byte) error {
	free := func() error {
		if other, ok := b.people[folded(name)]; ok {
			return fmt.Errorf("%w: %q is there already", ErrName, other.Name)
		}
		if len(b.people) >= most {
			return ErrFull
		}
		return nil
	}
	if err := checkName(name); err != nil {
		return err
	}
	b.mu.RLock()
	err := free() // before the long work
	b.mu.RUnlock()
	if err != nil {
		return err
	}
	h, err := b.hash(ctx, password)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := free(); err != nil {
		return err
	}
	return b.keep(person{Person: Person{name, role, events.MillisOf(b.cfg.Now())}, password: h})
}

// SetRole gives somebody another role, and ends what they were let in by. Its error wraps ErrUnknown.
func (b *Book) SetRole(name string, role Role) error {
	return b.change(name, func(p *person) { p.Role = role })
}

// SetPassword gives somebody another password, and ends what they were let in by. Its error wraps ErrUnknown,
// ErrPassword or ErrBusy.
func (b *Book) SetPassword(ctx context.Context, name string, password []byte) error {
	if _, ok := b.Known(name); !ok {
		return unknown(name)
	}
	h, err := b.hash(ctx, password)
	if err != nil {
		return err
	}
	return b.change(name, func(p *person) { p.password = h })
}

func (b *Book) change(name string, do func(*person)) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	p, ok := b.people[folded(name)]
	if !ok {
		return unknown(name)
	}
	do(&p)
	return b.keep(p)
}

// RemovePerson lets somebody sign in no more, and ends what they were let in by. Its error wraps ErrUnknown.
func (b *Book) RemovePerson(name string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.people[folded(name)]; !ok {
		return unknown(name)
	}
	if err := disk.Remove(b.path("people", name)); err != nil {
		return err
	}
	delete(b.people, folded(name))
	return nil
}

func unknown(name string) error { return fmt.Errorf("%w: %.64q", ErrUnknown, name) }

// ErrSignIn says that somebody is not let in, and not why.
var ErrSignIn = errors.New("the name or the password is wrong")

// SignIn lets somebody in who knows the password. Its error is ErrSignIn, ErrBusy, a *WaitError, or that of ctx.
func (b *Book) SignIn(ctx context.Context, name string, password []byte) (Pass, error) {
	right, unseen, err := b.tries.begin(name, b.cfg.Now())
	if err != nil {
		return Pass{}, err
	}
	b.mu.RLock()
	p, known := b.people[folded(name)]
	b.mu.RUnlock()
	if !known {
		p.password = nobodys(b.cost)
	}
	matches := false
	if len(password) <= MaxPassword {
		if err := b.hashes.one(ctx, func() { matches = p.password.matches(password) }); err != nil {
			unseen()
			return Pass{}, err
		}
	}
	if !known || !matches {
		return Pass{}, ErrSignIn
	}
	right()
	pass := Pass{Name: p.Name, Role: p.Role, edition: p.edition}
	if !b.Holds(pass) { // changed meanwhile
		return Pass{}, ErrSignIn
	}
	return pass, nil
}
