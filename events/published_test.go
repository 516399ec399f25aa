package events_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"ullage/events"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestPublishedUUID: RFC 9562, appendix A.6.
func TestPublishedUUID(t *testing.T) {
	const want = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
	// rand_a is CC3, rand_b 18C4DC0C0C07398F; the bits of version and variant are made room for.
	id := events.NewRecordID(0x017F22E279B0, [10]byte{0x0c, 0xc3, 0x18, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, 0x8f})
	if got := id.String(); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if at := id.At(); at != 1645557742000 || at.Format(0) != "2022-02-22T19:22:22Z" {
		t.Errorf("time: got %d, %s", at, at.Format(0))
	}
	parsed, err := events.ParseRecordID(strings.ToUpper(want))
	if err != nil || parsed != id || !parsed.Valid() {
		t.Errorf("parsed: got %s, %v", parsed, err)
	}
	// RFC 9562, appendix A.3 and A.5: versions 4 and 6 are UUIDs, but no ids of records.
	for _, s := range []string{"919108f7-52d1-4320-9bac-f847db4148a8", "1ec9414c-232a-6b00-b3c8-9f6bdeced846"} {
		if id, err := events.ParseRecordID(s); err != nil || id.Valid() {
			t.Errorf("%s: valid %v, %v; want a UUID that is none of ours", s, id.Valid(), err)
		}
	}
	for _, s := range []string{"", "017f22e2", "017f22e279b07cc398c4dc0c0c07398f", "017f22e2-79b0-7cc3-98c4-dc0c0c07398g", "{17f22e2-79b0-7cc3-98c4-dc0c0c07398f}", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f "} {
		if _, err := events.ParseRecordID(s); err == nil {
			t.Errorf("%q parses", s)
		}
	}
}

// TestUUIDAgainstLibrary compares with google/uuid, which also makes UUIDs of version 7.
func TestUUIDAgainstLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := events.Millis(rapid.Int64Range(0, 1<<48-1).Draw(t, "at"))
		id := events.NewRecordID(at, [10]byte(rapid.SliceOfN(rapid.Byte(), 10, 10).Draw(t, "random")))
		theirs, err := uuid.Parse(id.String())
		if err != nil || theirs.Version() != 7 || theirs.Variant() != uuid.RFC4122 || events.RecordID(theirs) != id || theirs.String() != id.String() {
			t.Fatalf("google/uuid sees %v of version %d, %v in %s", theirs, theirs.Version(), err, id)
		}
		if !id.Valid() || id.At() != at {
			t.Fatalf("%s: valid %v, at %d, want %d", id, id.Valid(), id.At(), at)
		}
		// Two that are made one millisecond apart sort alike as text and as bytes (RFC 9562, section 6.11).
		later := events.NewRecordID(min(at+1, 1<<48-1), [10]byte{})
		if at < 1<<48-1 && (bytes.Compare(later[:], id[:]) <= 0 || later.String() <= id.String()) {
			t.Fatalf("%s does not sort after %s", later, id)
		}
	})
	for range 50 {
		theirs, err := uuid.NewV7()
		if err != nil {
			t.Fatal(err)
		}
		ours, err := events.ParseRecordID(theirs.String())
		if err != nil || !ours.Valid() || ours != events.RecordID(theirs) {
			t.Errorf("%s: got %s, valid %v, %v", theirs, ours, ours.Valid(), err)
		}
	}
}

// TestPublishedSHA256: FIPS 180-4 with its published example messages.
func TestPublishedSHA256(t *testing.T) {
	for message, want := range map[string]string{
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
	} {
		if got := events.Hash(sha256.Sum256([]byte(message))).String(); got != want {
			t.Errorf("%q: got %s, want %s", message, got, want)
		}
	}
}

// TestPublishedLeaf: the hash of a record is a leaf of RFC 6962, section 2.1; values of the reference tree that
// transparency-dev/merkle uses in its tests.
func TestPublishedLeaf(t *testing.T) {
	for leaf, want := range map[string]string{
		"":   "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"00": "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
	} {
		if got := events.HashRecord(unhex(t, leaf)).String(); got != want {
			t.Errorf("leaf %q: got %s, want %s", leaf, got, want)
		}
	}
	// Longer than the buffer that most records fit into.
	for _, n := range []int{510, 511, 512, 513, 65536} {
		b := bytes.Repeat([]byte{'r'}, n)
		if got, want := events.HashRecord(b), events.Hash(sha256.Sum256(append([]byte{0}, b...))); got != want {
			t.Errorf("%d bytes: got %s, want %s", n, got, want)
		}
	}
}

// TestPublishedEd25519: RFC 8032, section 7.1, tests 1 and 2: the algorithm that a seal rests on.
func TestPublishedEd25519(t *testing.T) {
	for _, c := range []struct{ seed, message, public, signature string }{
		{"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60", "", "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		{"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", "72", "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
	} {
		key := ed25519.NewKeyFromSeed(unhex(t, c.seed))
		if got := hexOf(key.Public().(ed25519.PublicKey)); got != c.public {
			t.Errorf("public key: got %s, want %s", got, c.public)
		}
		if got := hexOf(ed25519.Sign(key, unhex(t, c.message))); got != c.signature {
			t.Errorf("signature: got %s, want %s", got, c.signature)
		}
	}
}

// TestPublishedClock: Kulkarni, Demirbas, Madappa, Avva, Leone, "Logical Physical Clocks" (2014): the local steps of
// figure 6, with the values that cstorey/hybrid-clocks tests, and three that were worked out by hand.
func TestPublishedClock(t *testing.T) {
	for _, c := range []struct {
		l      events.Millis
		c      uint16
		pt     events.Millis
		l2     events.Millis
		c2     uint16
		source string
	}{
		{0, 0, 10, 10, 0, "figure 6, process 0 at 10"},
		{10, 1, 2, 10, 2, "figure 6, process 1 at 2"},
		{10, 3, 3, 10, 4, "figure 6, process 2 at 3"},
		{5, 3, 5, 5, 4, "same millisecond"},
		{5, 3, 4, 5, 4, "a little behind"},
		{5, 3, 7, 7, 0, "ahead"},
	} {
		got, stepped := events.ClockOf(c.l, c.c).Next(c.pt)
		if got != events.ClockOf(c.l2, c.c2) || stepped != 0 {
			t.Errorf("%s: got (%d,%d), stepped %d, want (%d,%d)", c.source, got.At(), got.Counter(), stepped, c.l2, c.c2)
		}
	}
}
