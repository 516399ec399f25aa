package publog

import (
	"bytes"
	"crypto/rand"
	"os"
	"path/filepath"
	"testing"
)

// A frame that is read is the one that is written, at its place and at no other.
func FuzzFrame(f *testing.F) {
	f.Add(appendFrame(nil, 16, frame{7, []byte("a message")}))
	f.Add([]byte{0xff, 0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, b []byte) {
		got, n := parseFrame(b, 16)
		if n > 0 && !bytes.Equal(appendFrame(nil, 16, got), b[:n]) {
			t.Errorf("%x is read as %+v", b, got)
		}
		if _, moved := parseFrame(b, 17); n > 0 && moved > 0 {
			t.Errorf("%x is a frame at two places", b)
		}
	})
}

// The key file of the log is read whole or not at all, and what was read can be asked.
func FuzzKey(f *testing.F) {
	path := filepath.Join(f.TempDir(), "log.json")
	if _, err := OpenKey(path, rand.Reader, func() (string, error) { return "", nil }); err != nil {
		f.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"version":1}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		k := &Key{}
		if k.read(b) == nil {
			k.newest()
			k.ended()
		}
	})
}
