package people

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ullage/syncd/trust/disk"
)

const secret = "five small red sheds"

type clock struct{ now time.Time }

func (c *clock) Now() time.Time { return c.now }

func open(t *testing.T, dir string, c *clock) *Book {
	t.Helper()
	b, err := Open(Config{Dir: dir, Now: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	if b.cost != recommended {
		t.Errorf("hashes cost %+v", b.cost)
	}
	b.cost = cost{1, 64, 2} // not to take the time; the hashes themselves are tested apart
	return b
}

func newBook(t *testing.T) (*Book, *clock) {
	c := &clock{time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	return open(t, t.TempDir(), c), c
}

func add(t *testing.T, b *Book, name string, role Role) {
	t.Helper()
	if err := b.AddPerson(t.Context(), name, role, []byte(secret)); err != nil {
		t.Fatal(err)
	}
}

func TestPeople(t *testing.T) {
	b, c := newBook(t)
	ctx := t.Context()
	add(t, b, "Mara", Office)
	pass, err := b.SignIn(ctx, "mara", []byte(secret)) // capitals make no difference
	if err != nil || pass.Name != "Mara" || pass.Role != Office || !b.Holds(pass) {
		t.Fatalf("%+v %v", pass, err)
	}
	for _, x := range []struct{ name, password string }{
		{"Mara", secret + "x"}, {"Mara", ""}, {"Mara", strings.Repeat("x", 5000)}, {"Maria", secret}, {"", secret}, {"Mara\x00", secret},
	} {
		if _, err := b.SignIn(ctx, x.name, []byte(x.password)); err != ErrSignIn {
			t.Errorf("%.20q %.20q: %v", x.name, x.password, err)
		}
	}
	for _, x := range []struct {
		name, password string
		role           Role
		want           error
	}{
		{"mara", secret, Office, ErrName}, {"MARA", secret, Admin, ErrName}, {"a b", secret, Office, ErrName}, {"../x", secret, Office, ErrName},
		{"", secret, Office, ErrName}, {"lev", "short", Office, ErrPassword},
	} {
		if err := b.AddPerson(ctx, x.name, x.role, []byte(x.password)); !errors.Is(err, x.want) {
			t.Errorf("%q: %v", x.name, err)
		}
	}
	for _, err := range []error{b.SetRole("lev", Admin), b.SetPassword(ctx, "lev", []byte(secret)), b.RemovePerson("lev"), b.RevokeToken("lev")} {
		if !errors.Is(err, ErrUnknown) {
			t.Error(err)
		}
	}

	// Each change ends what was let in before.
	changes := map[string]func() error{
		"role":     func() error { return b.SetRole("mara", Admin) },
		"password": func() error { return b.SetPassword(ctx, "MARA", []byte(secret)) },
		"removed":  func() error { return b.RemovePerson("mara") },
	}
	for _, what := range []string{"role", "password", "removed"} {
		pass, err := b.SignIn(ctx, "mara", []byte(secret))
		if err != nil || !b.Holds(pass) {
			t.Fatalf("%s: %v", what, err)
		}
		if err := changes[what](); err != nil || b.Holds(pass) {
			t.Errorf("%s: %v; holds: %v", what, err, b.Holds(pass))
		}
	}
	if _, err := b.SignIn(ctx, "mara", []byte(secret)); err != ErrSignIn || len(b.People()) != 0 {
		t.Errorf("somebody who was removed: %v", err)
	}
	add(t, b, "mara", Auditor) // another one of that name
	if b.Holds(pass) {
		t.Error("a pass of somebody who was removed holds for another of that name")
	}
	add(t, b, "Lev", Admin)

	// All of it outlasts a restart.
	again := open(t, b.cfg.Dir, c)
	if got := fmt.Sprint(again.People()); got != fmt.Sprint(b.People()) || got != "[{Lev admin 1772442000000} {mara auditor 1772442000000}]" {
		t.Error(got)
	}
	if pass, err := again.SignIn(ctx, "mara", []byte(secret)); err != nil || pass.Role != Auditor {
		t.Errorf("%+v %v", pass, err)
	}
}

func TestTokens(t *testing.T) {
	b, c := newBook(t)
	want := Token{Name: "Billing", Role: Auditor, Areas: []string{"audit"}, By: "person:mara"}
	secret, made, err := b.MakeToken(want, 30)
	if err != nil || !strings.HasPrefix(secret, TokenMark) || len(secret) != len(TokenMark)+64 {
		t.Fatalf("%q %v", secret, err)
	}
	if got := time.Duration(made.Expires-made.Made) * time.Millisecond; got != 30*24*time.Hour {
		t.Errorf("holds for %v", got)
	}
	pass, err := b.LetIn(secret)
	if err != nil || pass.Name != "Billing" || pass.Role != Auditor || fmt.Sprint(pass.Areas) != "[audit]" || !b.Holds(pass) {
		t.Fatalf("%+v %v", pass, err)
	}
	for _, wrong := range []string{"", TokenMark, secret[:len(secret)-1], secret + "0", strings.ToUpper(secret), secret[len(TokenMark):], " " + secret} {
		if _, err := b.LetIn(wrong); err != ErrToken {
			t.Errorf("%q: %v", wrong, err)
		}
	}
	for _, x := range []struct {
		name string
		days int
		want error
	}{{"billing", 1, ErrName}, {"a/b", 1, ErrName}, {"b", 0, ErrDays}, {"b", -1, ErrDays}, {"b", MaxDays + 1, ErrDays}} {
		if _, _, err := b.MakeToken(Token{Name: x.name, Role: Admin}, x.days); !errors.Is(err, x.want) {
			t.Errorf("%q, %d days: %v", x.name, x.days, err)
		}
	}
	again := open(t, b.cfg.Dir, c)
	if _, err := again.LetIn(secret); err != nil || fmt.Sprint(again.Tokens()) != fmt.Sprint(b.Tokens()) {
		t.Errorf("after a restart: %v", err)
	}
	err = filepath.WalkDir(b.cfg.Dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if strings.Contains(string(content), secret[len(TokenMark):]) {
			t.Errorf("%s has the token in it", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}

	c.now = made.Expires.Time().Add(-time.Millisecond)
	if _, err := b.LetIn(secret); err != nil || !b.Holds(pass) {
		t.Errorf("ends too early: %v", err)
	}
	c.now = made.Expires.Time()
	expired := (*ExpiredError)(nil)
	if _, err := b.LetIn(secret); !errors.As(err, &expired) || expired.Name != "Billing" || b.Holds(pass) {
		t.Errorf("after its end: %v; holds: %v", err, b.Holds(pass))
	}
	c.now = made.Made.Time()
	if err := b.RevokeToken("BILLING"); err != nil || b.Holds(pass) {
		t.Errorf("revoked: %v; holds: %v", err, b.Holds(pass))
	}
	if _, err := b.LetIn(secret); err != ErrToken {
		t.Errorf("revoked: %v", err)
	}
	if _, _, err := b.MakeToken(want, 1); err != nil || b.Holds(pass) {
		t.Errorf("another of that name: %v; the old one holds: %v", err, b.Holds(pass))
	}
}

// TestFull: there is an end to what is kept.
func TestFull(t *testing.T) {
	b, _ := newBook(t)
	for i := range most {
		name := fmt.Sprint("n", i)
		b.people[name] = person{Person: Person{Name: name, Role: Office}}
		b.tokens[name] = token{Token: Token{Name: name, Role: Office}}
	}
	if err := b.AddPerson(t.Context(), "mara", Office, []byte(secret)); !errors.Is(err, ErrFull) {
		t.Error(err)
	}
	if _, _, err := b.MakeToken(Token{Name: "mara", Role: Office}, 1); !errors.Is(err, ErrFull) {
		t.Error(err)
	}
}

// TestTries guesses at passwords, of one name and of many, known or not.
func TestTries(t *testing.T) {
	b, c := newBook(t)
	ctx := t.Context()
	add(t, b, "mara", Office)
	wait := func(name string) time.Duration {
		t.Helper()
		_, err := b.SignIn(ctx, name, []byte("not the right one"))
		if w := (*WaitError)(nil); errors.As(err, &w) {
			return w.Wait
		}
		if err != ErrSignIn {
			t.Fatal(err)
		}
		return 0
	}
	for _, name := range []string{"nobody", "mara"} { // who is not there waits as long
		for range freeTries {
			if w := wait(name); w != 0 {
				t.Fatalf("%s waits %v at once", name, w)
			}
		}
		if w := wait(name); w != firstWait {
			t.Errorf("%s waits %v", name, w)
		}
	}
	// The right password has to wait too: else it could be told from a wrong one. Another name does not wait.
	if _, err := b.SignIn(ctx, "Mara", []byte(secret)); !errors.As(err, new(*WaitError)) {
		t.Errorf("the right one, too early: %v", err)
	}
	add(t, b, "lev", Office)
	if _, err := b.SignIn(ctx, "lev", []byte(secret)); err != nil {
		t.Errorf("another: %v", err)
	}
	c.now = c.now.Add(mostWait)
	if _, err := b.SignIn(ctx, "mara", []byte(secret)); err != nil {
		t.Errorf("in time: %v", err)
	}
	for range freeTries {
		if w := wait("mara"); w != 0 {
			t.Errorf("a right password does not clear the name: %v", w)
		}
	}
	c.now = c.now.Add(-time.Hour) // a clock that is set back prolongs nothing
	if w := wait("mara"); w != 0 {
		t.Errorf("with the clock set back: %v", w)
	}
	c.now = c.now.Add(2 * quietTime)
	wait("nobody")
	if n := len(b.tries.names); n != 1 {
		t.Errorf("%d names are remembered", n)
	}
}

// TestTriesOfOne: each wrong password doubles the wait, and one that comes too early changes nothing.
func TestTriesOfOne(t *testing.T) {
	var tries tries
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	wait := func() time.Duration {
		_, _, err := tries.begin("mara", now)
		if w := (*WaitError)(nil); errors.As(err, &w) {
			return w.Wait
		}
		return 0
	}
	for range freeTries {
		wait()
	}
	var waits []time.Duration
	for range 8 {
		w := wait()
		waits = append(waits, w)
		now = now.Add(w - time.Millisecond)
		if got := wait(); got != time.Millisecond {
			t.Errorf("just before %v: %v", w, got)
		}
		now = now.Add(time.Millisecond)
		if got := wait(); got != 0 {
			t.Errorf("after %v: %v", w, got)
		}
	}
	if fmt.Sprint(waits) != "[15s 30s 1m0s 2m0s 4m0s 5m0s 5m0s 5m0s]" {
		t.Error(waits)
	}
}

// TestTriesOfAll guesses one password each of many names.
// A try that was never looked at, since too much was asked at once, leaves no wait behind.
func TestTriesUnseen(t *testing.T) {
	var tries tries
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for range freeTries {
		if _, _, err := tries.begin("mara", now); err != nil {
			t.Fatal(err)
		}
	}
	now = now.Add(time.Hour / 2) // the pause is over
	_, unseen, err := tries.begin("mara", now)
	if err != nil {
		t.Fatal(err)
	}
	unseen()
	if _, _, err := tries.begin("mara", now); err != nil {
		t.Errorf("after a try that was not looked at: %v", err)
	}
}

func TestTriesOfAll(t *testing.T) {
	var tries tries
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	begin := func(name string) (right, unseen func(), wait time.Duration) {
		right, unseen, err := tries.begin(name, now)
		if w := (*WaitError)(nil); errors.As(err, &w) {
			wait = w.Wait
		}
		return right, unseen, wait
	}
	for i := range MaxTries {
		right, _, wait := begin(fmt.Sprint(i))
		if wait != 0 {
			t.Fatalf("the try %d waits %v", i, wait)
		}
		right() // neither of these counts
		_, unseen, wait := begin(fmt.Sprint(i))
		if wait != 0 {
			t.Fatalf("the try %d waits %v", i, wait)
		}
		unseen()
		begin(fmt.Sprint(i))
		now = now.Add(10 * time.Millisecond)
	}
	if _, _, wait := begin("mara"); wait != triesIn-MaxTries*10*time.Millisecond {
		t.Errorf("one more waits %v", wait)
	}
	now = now.Add(triesIn)
	if _, _, wait := begin("mara"); wait != 0 || len(tries.all) != 1 {
		t.Errorf("a minute later: %v, %d remembered", wait, len(tries.all))
	}
	for w, want := range map[time.Duration]string{time.Millisecond: "1 s", 5 * time.Second: "5 s", 5 * time.Minute: "5 min", 100 * time.Second: "2 min"} {
		if got := (&WaitError{w}).Error(); !strings.HasSuffix(got, "again in "+want) {
			t.Error(got)
		}
	}
}

// TestAtOnce tries many passwords at the same moment: they count from their beginning.
func TestAtOnce(t *testing.T) {
	b, _ := newBook(t)
	looked := make(chan bool)
	for range 3 * freeTries {
		go func() {
			_, err := b.SignIn(context.Background(), "mara", []byte("not the right one"))
			looked <- err == ErrSignIn
		}()
	}
	n := 0
	for range 3 * freeTries {
		if <-looked {
			n++
		}
	}
	if n > freeTries {
		t.Errorf("%d were looked at", n)
	}
}

// TestSameWork: for a name that nobody has, as much is worked out. While others are looked at, both have to come again.
func TestSameWork(t *testing.T) {
	b, _ := newBook(t)
	add(t, b, "mara", Office)
	for range cap(b.hashes.line) {
		b.hashes.line <- struct{}{}
	}
	for range 2 * freeTries { // which counts as no try
		for _, name := range []string{"mara", "nobody"} {
			if _, err := b.SignIn(t.Context(), name, []byte("not the right one")); err != ErrBusy {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// TestFiles: for the owner only, whole or not at all, and nothing of ours that cannot be read is passed over.
func TestFiles(t *testing.T) {
	b, c := newBook(t)
	add(t, b, "mara", Office)
	if _, _, err := b.MakeToken(Token{Name: "billing", Role: Auditor}, 1); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"people/mara.json", "tokens/billing.json"} {
		path := filepath.Join(b.cfg.Dir, name)
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		dir, err := os.Stat(filepath.Dir(path))
		if err != nil {
			t.Fatal(err)
		}
		if runtime.GOOS != "windows" && (info.Mode().Perm() != 0o600 || dir.Mode().Perm() != 0o700) {
			t.Errorf("%s: %v in %v", name, info.Mode(), dir.Mode())
		}
		good, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{
			"", "{}", string(good[:len(good)/2]), string(good) + "{}", strings.Replace(string(good), `"version": 1`, `"version": 2`, 1),
			strings.Replace(string(good), `"role"`, `"rule"`, 1), strings.Replace(string(good), `"office"`, `"owner"`, 1) + strings.Repeat(" ", disk.MaxOwn),
			strings.Replace(string(good), `"name": "`, `"name": "x`, 1), strings.Replace(string(good), "argon2id", "argon2", 1) + "x",
		} {
			if err := os.WriteFile(path, []byte(bad), 0o600); err != nil {
				t.Fatal(err)
			}
			if _, err := Open(b.cfg); err == nil || !strings.Contains(err.Error(), path) {
				t.Errorf("%s with %.40q: %v", name, bad, err)
			}
		}
		if err := os.WriteFile(path, good, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	stray := filepath.Join(b.cfg.Dir, "people", "notes.txt")
	if err := os.WriteFile(stray, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(b.cfg); err == nil || !strings.Contains(err.Error(), stray) {
		t.Errorf("a stray file: %v", err)
	}
	if err := os.Remove(stray); err != nil {
		t.Fatal(err)
	}

	// What cannot be written has not happened.
	full := errors.New("the disk is full")
	b.write = func(string, []byte) error { return full }
	pass, err := b.SignIn(t.Context(), "mara", []byte(secret))
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = b.MakeToken(Token{Name: "stock", Role: Auditor}, 1)
	for _, err := range []error{err, b.AddPerson(t.Context(), "lev", Office, []byte(secret)), b.SetRole("mara", Admin), b.SetPassword(t.Context(), "mara", []byte(secret+"x"))} {
		if !errors.Is(err, full) {
			t.Error(err)
		}
	}
	if !b.Holds(pass) || len(b.People()) != 1 || len(b.Tokens()) != 1 || b.People()[0].Role != Office {
		t.Errorf("%v %v", b.People(), b.Tokens())
	}
	open(t, b.cfg.Dir, c)
}

func TestRoles(t *testing.T) {
	for _, r := range []Role{Auditor, Office, Admin} {
		if back, err := ParseRole(r.String()); err != nil || back != r {
			t.Errorf("%v: %v %v", r, back, err)
		}
		if r.Covers(0) || Role(0).Covers(r) || !Admin.Covers(r) || !r.Covers(Auditor) {
			t.Errorf("%v covers wrongly", r)
		}
	}
	for _, s := range []string{"", "Office", "owner", "office "} {
		if r, err := ParseRole(s); err == nil || r != 0 {
			t.Errorf("%q is taken as %v", s, r)
		}
	}
	if Auditor.Covers(Office) || Office.Covers(Admin) || Role(0).Covers(0) {
		t.Error("a lower role covers a higher one")
	}
}

// FuzzFiles: whatever stands in a file of ours, what is read of it makes sense.
func FuzzFiles(f *testing.F) {
	f.Add([]byte(`{"version":1,"name":"mara","role":"office","password":"` + nobodys(recommended).String() + `","since":1}`))
	f.Add([]byte(`{"version":1,"name":"mara","role":"auditor","areas":["audit"],"token_sha256":"` + strings.Repeat("0", 64) + `","made":1,"expires":2,"by":"local"}`))
	f.Fuzz(func(t *testing.T, content []byte) {
		b := &Book{people: map[string]person{}, tokens: map[string]token{}}
		if err := b.readPerson("mara", content); err == nil && (len(b.people) != 1 || folded(b.people["mara"].Name) != "mara" || !b.people["mara"].Role.Covers(Auditor)) {
			t.Errorf("%s is read as %v", content, b.people)
		}
		if err := b.readToken("mara", content); err == nil && (len(b.tokens) != 1 || folded(b.tokens["mara"].Name) != "mara" || !b.tokens["mara"].Role.Covers(Auditor)) {
			t.Errorf("%s is read as %v", content, b.tokens)
		}
	})
}

func FuzzParseRole(f *testing.F) {
	f.Add("admin")
	f.Fuzz(func(t *testing.T, s string) {
		if r, err := ParseRole(s); err == nil && r.String() != s || err != nil && r != 0 {
			t.Errorf("%q is taken as %v: %v", s, r, err)
		}
	})
}
