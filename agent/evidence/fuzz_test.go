package evidence

import (
	"bytes"
	"testing"

	"ullage/events"
)

// A key file is read as what appendKey writes, or as one that was erased, or not at all.
func FuzzKey(f *testing.F) {
	d := events.Digest{1}
	f.Add(appendKey(nil, d, secret{salt: [32]byte{2}}))
	f.Add(make([]byte, keySize))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, erased, why := parseKey(b, d)
		if why == "" && !erased && !bytes.Equal(appendKey(nil, d, s), b) {
			t.Errorf("%x is read as %+v", b, s)
		}
		if (why != "" || erased) && s != (secret{}) {
			t.Errorf("%x: a secret, erased %v, %q", b, erased, why)
		}
	})
}
