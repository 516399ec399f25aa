package checkpoint

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"ullage/events"
)

func hexHash(t *testing.T, s string) events.Hash {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != 32 {
		t.Fatalf("%q is no hash", s)
	}
	return events.Hash(b)
}

func hexHashes(t *testing.T, list ...string) (all []events.Hash) {
	for _, s := range list {
		all = append(all, hexHash(t, s))
	}
	return all
}

// The reference tree of RFC 6962 logs, from transparency-dev/merkle v0.0.2 (testonly), whose leaves are, in hex, "",
// 00, 10, 2021, 3031, 40414243, 5051525354555657, 606162636465666768696a6b6c6d6e6f.
var (
	referenceLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	referenceRoots  = map[uint64]string{
		0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

// (3): the root of three leaves is not published with the others; its proof of leaf 2 is.
func rootOf(t *testing.T, size uint64) events.Hash {
	t.Helper()
	hashes := make([]events.Hash, size)
	for i := range hashes {
		raw, err := hex.DecodeString(referenceLeaves[i])
		if err != nil {
			t.Fatal(err)
		}
		hashes[i] = events.HashRecord(raw)
	}
	return Root(hashes)
}

// RFC 9162, section 2.1.1; values of the reference tree.
func TestRoots(t *testing.T) {
	for size, want := range referenceRoots {
		if got := rootOf(t, size); got != hexHash(t, want) {
			t.Errorf("root of %d leaves: %s, want %s", size, got, want)
		}
	}
	if Empty() != hexHash(t, referenceRoots[0]) {
		t.Errorf("root of no leaves: %s", Empty())
	}
}

// RFC 9162, section 2.1.3; values of the reference tree.
func TestIncludes(t *testing.T) {
	for _, c := range []struct {
		index, size uint64
		proof       []string
	}{
		{0, 1, nil},
		{2, 3, []string{"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"}},
		{0, 8, []string{
			"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7", "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
		}},
		{5, 8, []string{
			"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b", "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
			"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		}},
	} {
		raw, _ := hex.DecodeString(referenceLeaves[c.index])
		at := Checkpoint{"log", c.size, rootOf(t, c.size)}
		leaf, proof := events.HashRecord(raw), hexHashes(t, c.proof...)
		if err := Includes(at, c.index, leaf, proof); err != nil {
			t.Errorf("leaf %d of %d: %v", c.index, c.size, err)
		}
		other := leaf
		other[31] ^= 1
		if err := Includes(at, c.index, other, proof); !errors.Is(err, ErrProof) {
			t.Errorf("leaf %d of %d, another: %v", c.index, c.size, err)
		}
		if err := Includes(at, c.size, leaf, proof); !errors.Is(err, ErrProof) {
			t.Errorf("beyond the end: %v", err)
		}
	}
}

// RFC 9162, section 2.1.4; values of the reference tree.
func TestExtends(t *testing.T) {
	for _, c := range []struct {
		then, now uint64
		proof     []string
	}{
		{0, 8, nil}, {1, 1, nil}, {8, 8, nil},
		{6, 8, []string{
			"0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a", "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
			"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		}},
		{4, 8, []string{"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"}},
		{2, 5, []string{"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e", "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"}},
	} {
		then, now := Checkpoint{"log", c.then, rootOf(t, c.then)}, Checkpoint{"log", c.now, rootOf(t, c.now)}
		proof := hexHashes(t, c.proof...)
		if err := Extends(then, now, proof); err != nil {
			t.Errorf("%d to %d: %v", c.then, c.now, err)
		}
		other := then
		other.Root[0] ^= 1
		if err := Extends(other, now, proof); !errors.Is(err, ErrProof) {
			t.Errorf("%d to %d, another root: %v", c.then, c.now, err)
		}
		if err := Extends(then, now, append(proof, events.Hash{})); !errors.Is(err, ErrProof) {
			t.Errorf("%d to %d, a hash too many: %v", c.then, c.now, err)
		}
		if c.then != c.now {
			if err := Extends(now, then, proof); !errors.Is(err, ErrProof) {
				t.Errorf("%d to %d: %v", c.now, c.then, err)
			}
		}
	}
}

// The key of the example of C2SP signed-note, as golang.org/x/mod/sumdb/note verifies it.
func TestKeyName(t *testing.T) {
	const vkey = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
	origin, key, err := ParseKeyName(vkey)
	if err != nil || origin != "example.com/foo" || KeyName(origin, key) != vkey {
		t.Errorf("%q, %x, %v", origin, key, err)
	}
	for i := range len(vkey) {
		if _, _, err := ParseKeyName(vkey[:i] + "!" + vkey[i+1:]); err == nil && i >= strings.IndexByte(vkey, '+') {
			t.Errorf("with another byte %d it is taken", i)
		}
	}
}

func testKey() ed25519.PrivateKey {
	// RFC 8032, section 7.1, test 1.
	seed, _ := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	return ed25519.NewKeyFromSeed(seed)
}

func TestNote(t *testing.T) {
	key := testKey()
	public := key.Public().(ed25519.PublicKey)
	c := Checkpoint{"log.example/1", 8, rootOf(t, 8)}
	const text = "log.example/1\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n" // the root in base64 as C2SP has it
	if c.Text() != text {
		t.Errorf("text %q", c.Text())
	}
	signed, err := Sign(c, key)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := Open(signed, public); err != nil || got != c {
		t.Errorf("%+v, %v", got, err)
	}
	if Text(signed) != text {
		t.Errorf("text of the note: %q", Text(signed))
	}
	// The signature is Ed25519 over the text, after the first four bytes of SHA-256(name | 0x0A | 0x01 | key).
	line := signed[len(text)+1:]
	raw, err := base64.StdEncoding.DecodeString(strings.TrimSpace(strings.TrimPrefix(line, "— log.example/1 ")))
	if err != nil || len(raw) != 4+ed25519.SignatureSize || !ed25519.Verify(public, []byte(text), raw[4:]) {
		t.Errorf("signature line %q", line)
	}
	for i := range len(signed) {
		b := []byte(signed)
		b[i] ^= 1
		if got, err := Open(string(b), public); err == nil {
			t.Errorf("with another byte %d it is %+v", i, got)
		}
	}
	if _, err := Open(signed, make(ed25519.PublicKey, 32)); !errors.Is(err, ErrSignature) {
		t.Errorf("with another key: %v", err)
	}
}

func TestBadText(t *testing.T) {
	good := Checkpoint{"o", 1, events.Hash{1}}.Text()
	if _, err := Parse(good); err != nil {
		t.Fatal(err)
	}
	root := strings.Split(good, "\n")[2]
	for _, bad := range []string{
		"", "o\n1\n", "o\n1\n" + root, "o\n1\n" + root + "\nmore\n", "\n1\n" + root + "\n", "o\n01\n" + root + "\n", "o\n-1\n" + root + "\n", "o\n+1\n" + root + "\n",
		"o\n1\n" + root[:43] + "\n", "o o\n1\n" + root + "\n", "o+\n1\n" + root + "\n", "ö\n1\n" + root + "\n", "o\n9223372036854775807\n" + root + "\n", "o\n1\n" + root + "\r\n",
		strings.Repeat("o", MaxText) + "\n1\n" + root + "\n",
	} {
		if c, err := Parse(bad); !errors.Is(err, ErrForm) {
			t.Errorf("%q: %+v, %v", bad, c, err)
		}
	}
}

func FuzzOpen(f *testing.F) {
	key := testKey()
	signed, _ := Sign(Checkpoint{"log.example/1", 8, events.Hash{8}}, key)
	f.Add(signed)
	f.Fuzz(func(t *testing.T, s string) {
		c, err := Open(s, key.Public().(ed25519.PublicKey))
		if err == nil && Text(s) != c.Text() {
			t.Errorf("%q is opened as %+v", s, c)
		}
		if c, err := Parse(s); err == nil && c.Text() != s {
			t.Errorf("%q is read as %+v", s, c)
		}
	})
}

// A key of a log is written in one way only.
func FuzzParseKeyName(f *testing.F) {
	f.Add(KeyName("log.example/1", testKey().Public().(ed25519.PublicKey)))
	f.Add("log.example/1+00000000+AAAA")
	f.Fuzz(func(t *testing.T, s string) {
		origin, key, err := ParseKeyName(s)
		if err != nil && (origin != "" || key != nil) || err == nil && KeyName(origin, key) != s {
			t.Errorf("%q is read as %q, %x, %v", s, origin, key, err)
		}
	})
}
