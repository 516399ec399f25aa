package ca

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// An authority is read whole or not at all: its key, and certificates that lead from one to the next. Certificates that
// are read are those that are written.
func FuzzRead(f *testing.F) {
	path := filepath.Join(f.TempDir(), "authority.pem")
	if _, err := Open(Config{Path: path, Now: time.Now, Log: slog.New(slog.DiscardHandler), Used: func() (string, error) { return "", nil }}); err != nil {
		f.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(good[bytes.Index(good, []byte("-----BEGIN CERTIFICATE")):])
	f.Fuzz(func(t *testing.T, b []byte) {
		key, certs, err := read(b)
		if err == nil && (key == nil || len(certs) == 0 || !key.PublicKey.Equal(certs[0].PublicKey)) {
			t.Errorf("%q is read as %d certificates", b, len(certs))
		}
		if certs, err = decodeCerts(b); err != nil {
			return
		}
		again, err := decodeCerts(EncodePEM(certs...))
		if err != nil || len(again) != len(certs) {
			t.Fatalf("%q: %d certificates, then %d, %v", b, len(certs), len(again), err)
		}
		for i := range certs {
			if !again[i].Equal(certs[i]) {
				t.Errorf("%q: certificate %d changed", b, i+1)
			}
		}
	})
}
