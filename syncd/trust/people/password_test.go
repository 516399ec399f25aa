package people

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"golang.org/x/crypto/argon2"
)

// TestArgon2id checks what we work out with against the test program of the reference implementation of RFC 9106
// (test.c of P-H-C/phc-winner-argon2, version 0x13). TestSecondArgon2id checks it against the RFC itself.
func TestArgon2id(t *testing.T) {
	for _, x := range []struct {
		salt          string
		passes, kib   uint32
		lanes         uint8
		password, sum string
	}{
		{"somesalt", 2, 1 << 16, 1, "password", "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
		{"somesalt", 2, 1 << 8, 1, "password", "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
		{"somesalt", 2, 1 << 8, 2, "password", "6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037"},
	} {
		h := hash{cost: cost{x.passes, x.kib, x.lanes}, salt: []byte(x.salt)}
		if got := hex.EncodeToString(h.of([]byte(x.password))); got != x.sum {
			t.Errorf("%+v: %s", x, got)
		}
	}
	if c := recommended; c.passes < 3 || c.kib < 64<<10 || c.lanes != 4 || saltSize != 16 || sumSize != 32 {
		t.Error("less than the second recommended option of RFC 9106, section 4")
	}
}

func TestHash(t *testing.T) {
	password := []byte("five small red sheds")
	h, other := newHash(recommended, password), newHash(recommended, password)
	if bytes.Equal(h.salt, other.salt) || bytes.Equal(h.sum, other.sum) {
		t.Error("two hashes of one password are alike")
	}
	if !strings.HasPrefix(h.String(), "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Error(h)
	}
	back, err := parseHash(h.String())
	if err != nil || !back.matches(password) || back.matches([]byte("five small red shed")) {
		t.Errorf("%v: %v", back, err)
	}
	// With what others were worked out by, it works on.
	weak := hash{cost: cost{1, 64, 2}, salt: h.salt}
	weak.sum = argon2.IDKey(password, weak.salt, 1, 64, 2, sumSize)
	if back, err = parseHash(weak.String()); err != nil || !back.matches(password) {
		t.Errorf("%v: %v", weak, err)
	}
	good := h.String()
	for _, bad := range []string{
		"", "$", good + "$", good + "A", " " + good, good[:len(good)-1], strings.Replace(good, "argon2id", "argon2i", 1), strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=65536", "m=1048576", 1), strings.Replace(good, "m=65536", "m=31", 1), strings.Replace(good, "m=65536", "m=065536", 1),
		strings.Replace(good, "t=3", "t=0", 1), strings.Replace(good, "t=3", "t=17", 1), strings.Replace(good, "t=3", "t=-3", 1),
		strings.Replace(good, "p=4", "p=0", 1), strings.Replace(good, "p=4", "p=17", 1), strings.Replace(good, "p=4", "p=256", 1),
		good[:strings.LastIndex(good, "$")], good[:strings.LastIndex(good, "$")] + "$AAAA", "$argon2id$v=19$m=65536,t=3,p=4$AAAA$" + good[strings.LastIndex(good, "$")+1:],
	} {
		if h, err := parseHash(bad); err == nil {
			t.Errorf("%q is taken as %v", bad, h)
		}
	}
}

func FuzzParseHash(f *testing.F) {
	f.Add(nobodys(recommended).String())
	f.Add("$argon2id$v=19$m=65536,t=3,p=4$$")
	f.Fuzz(func(t *testing.T, s string) {
		if h, err := parseHash(s); err == nil && (h.String() != s || h.kib > mostCost.kib || h.passes > mostCost.passes) {
			t.Errorf("%q is taken as %v", s, h)
		}
	})
}

func TestCheckPassword(t *testing.T) {
	for password, ok := range map[string]bool{
		"": false, strings.Repeat("x", MinPassword-1): false, strings.Repeat("x", MinPassword): true, strings.Repeat("ü", MinPassword): true,
		strings.Repeat("x", MaxPassword): true, strings.Repeat("x", MaxPassword+1): false, "            ": true, strings.Repeat("x", MinPassword) + "\xff": false,
	} {
		if err := checkPassword([]byte(password)); (err == nil) != ok || err != nil && !errors.Is(err, ErrPassword) {
			t.Errorf("%.20q: %v", password, err)
		}
	}
}

// TestHashing fills the line for the one place at which hashes are worked out.
func TestHashing(t *testing.T) {
	h := newHashing()
	begun, end := make(chan struct{}), make(chan struct{})
	results := make(chan error)
	work := func() { begun <- struct{}{}; <-end }
	for range mostWaiting + 1 {
		go func() { results <- h.one(context.Background(), work) }()
	}
	<-begun // one works, and no other does
	for len(h.line) < cap(h.line) {
		select {
		case <-begun:
			t.Fatal("two work at once")
		default:
		}
	}
	if err := h.one(context.Background(), func() { t.Error("worked beyond the line") }); !errors.Is(err, ErrBusy) {
		t.Errorf("beyond the line: %v", err)
	}
	end <- struct{}{}
	for range mostWaiting {
		<-begun
		end <- struct{}{}
	}
	for range mostWaiting + 1 {
		if err := <-results; err != nil {
			t.Error(err)
		}
	}
	go func() { results <- h.one(context.Background(), work) }()
	<-begun
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := h.one(ctx, func() { t.Error("worked for nobody") }); !errors.Is(err, context.Canceled) {
		t.Errorf("given up: %v", err)
	}
	end <- struct{}{}
	if err := <-results; err != nil || len(h.line) != 0 || len(h.turn) != 0 {
		t.Errorf("%v; %d are in the line", err, len(h.line))
	}
}
