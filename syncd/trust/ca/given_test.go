package ca_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/syncd/trust/ca"
)

// signer is a certificate and its key.
type signer struct {
	*x509.Certificate
	key *ecdsa.PrivateKey
}

// made makes a certificate, signed by another or by itself: one of an authority where it has no names.
func made(t *testing.T, by *signer, from time.Time, names ...string) *signer {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		Subject: pkix.Name{CommonName: rand.Text()}, NotBefore: from, NotAfter: from.Add(90 * day), DNSNames: names,
		IsCA: len(names) == 0, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature,
	}
	if c.IsCA {
		c.KeyUsage = x509.KeyUsageCertSign
	}
	if by == nil {
		by = &signer{c, key}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, by.Certificate, key.Public(), by.key)
	if err != nil {
		t.Fatal(err)
	}
	s := &signer{key: key}
	if s.Certificate, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	return s
}

// files writes a chain and the key of its first.
func files(t *testing.T, dir string, key *signer, chain ...*signer) {
	t.Helper()
	var all []*x509.Certificate
	for _, c := range chain {
		all = append(all, c.Certificate)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key.key)
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"cert.pem": ca.EncodePEM(all...), "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func (w *world) given(dir string) (*ca.Given, error) {
	return ca.OpenGiven(ca.GivenConfig{
		Cert: filepath.Join(dir, "cert.pem"), Key: filepath.Join(dir, "key.pem"), Names: []string{"centre.example"}, Now: w.clock.now, Log: w.logger(),
	})
}

func TestGiven(t *testing.T) {
	w := newWorld(t)
	dir := t.TempDir()
	root := made(t, nil, w.clock.at)
	middle := made(t, root, w.clock.at)
	first := made(t, middle, w.clock.at, "centre.example")
	files(t, dir, first, first, middle)
	g, err := w.given(dir)
	if err != nil {
		t.Fatal(err)
	}
	is := func(want *signer) {
		t.Helper()
		if sent := shown(t, g); len(sent) != 2 || !sent[0].Equal(want.Certificate) || !sent[1].Equal(middle.Certificate) {
			t.Fatalf("%d certificates are sent, the first of %v until %v", len(sent), sent[0].Subject, sent[0].NotAfter)
		}
	}
	is(first)
	if !g.Anchor().Equal(middle.Certificate) {
		t.Errorf("devices would know the key of %v", g.Anchor().Subject)
	}

	// A change is seen, and one that is half done is not taken.
	second := made(t, middle, w.clock.at, "centre.example")
	files(t, dir, first, second, middle)
	is(first)
	is(first)
	if n := strings.Count(w.log.String(), "cannot be used"); n != 1 {
		t.Errorf("told %d times:\n%s", n, w.log.String())
	}
	files(t, dir, second, second, middle)
	is(second)

	// Certificates that lead elsewhere would lock every device out.
	other := made(t, nil, w.clock.at)
	third := made(t, other, w.clock.at, "centre.example")
	files(t, dir, third, third, other)
	is(second)
	if !strings.Contains(w.log.String(), "do not lead to the key that devices know") {
		t.Error(w.log.String())
	}
	if err := os.Remove(filepath.Join(dir, "key.pem")); err != nil {
		t.Fatal(err)
	}
	is(second)
	fourth := made(t, middle, w.clock.at, "centre.example")
	files(t, dir, fourth, fourth, middle)
	is(fourth)
	if strings.Contains(w.log.String(), "does not hold now") {
		t.Error(w.log.String())
	}
	w.clock.at = w.clock.at.Add(89 * day)
	if _, err := w.given(dir); err != nil || !strings.Contains(w.log.String(), "not for long any more") {
		t.Errorf("%v\n%s", err, w.log.String())
	}
}

func TestGivenRefused(t *testing.T) {
	w := newWorld(t)
	root := made(t, nil, w.clock.at)
	server := made(t, root, w.clock.at, "centre.example")
	other := made(t, nil, w.clock.at)
	for name, try := range map[string]struct {
		write func(dir string)
		want  string
	}{
		"no files":          {func(string) {}, "cert.pem"},
		"no key":            {func(dir string) { files(t, dir, server, server, root); os.Remove(filepath.Join(dir, "key.pem")) }, "key.pem"},
		"another key":       {func(dir string) { files(t, dir, other, server, root) }, "cert.pem and "},
		"another name":      {func(dir string) { s := made(t, root, w.clock.at, "elsewhere.example"); files(t, dir, s, s, root) }, "is not for centre.example"},
		"another authority": {func(dir string) { files(t, dir, server, server, other) }, "certificate 1 is not signed by the next"},
		"the order":         {func(dir string) { files(t, dir, root, root, server) }, "is not signed by the next"},
		"nothing in it": {func(dir string) {
			files(t, dir, server, server)
			if err := os.WriteFile(filepath.Join(dir, "cert.pem"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "cert.pem"},
		"too large": {func(dir string) {
			files(t, dir, server, server)
			if err := os.WriteFile(filepath.Join(dir, "cert.pem"), make([]byte, 1<<20+1), 0o600); err != nil {
				t.Fatal(err)
			}
		}, "more than"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			try.write(dir)
			if _, err := w.given(dir); !errors.Is(err, ca.ErrGiven) || !strings.Contains(err.Error(), try.want) {
				t.Errorf("got %v, want %q", err, try.want)
			}
		})
	}
	// The server's certificate alone is known by its own key.
	dir := t.TempDir()
	files(t, dir, server, server)
	if g, err := w.given(dir); err != nil || !g.Anchor().Equal(server.Certificate) {
		t.Errorf("alone: %v", err)
	}
}
