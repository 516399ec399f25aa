// Package ca has the certificates by which a centre shows who it is: an authority of its own (Authority), or those
// that its operator gives it (Given).
//
// A device knows its centre by a pin, the hash of one key, which its code of enrolment carries; a path of signatures has
// to lead from the server's certificate to that key. So the authority's key is what devices know for ever, and the
// server's own key and certificate can be made anew at any time: they stand in memory only, are made at each start, and
// again long before they run out, for the next handshake; connections that stand are not touched.
//
// The authority renews itself long before its end: it makes a new key, and the old one signs the new (newWithOld in
// RFC 4210, section 4.4). The server shows that certificate too, so that a device which knows only an old key comes to
// trust the new one. The old private key is then gone. A certificate that is not valid yet, by a clock that was wrong
// when it was made, is made anew under the same key.
//
// The authority is one file in PEM, readable by its owner only:
//
//	PRIVATE KEY   ECDSA P-256 (PKCS 8), the newest
//	CERTIFICATE   of that key, signed by itself
//	CERTIFICATE   of that key, signed by the one before; then of the one before, and so on; at most 15
//	CERTIFICATE   of the first key, signed by itself, while it is among them
//
// The certificates, in that order, are what the server sends behind its own. All have one name, for it is one authority.
package ca

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/netip"
	"os"
	"slices"
	"sync"
	"time"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// ErrAuthority is in the error of Open where the authority is lost or cannot be read. It is never made anew in place of
// a lost one: no device would know its centre any more.
var ErrAuthority = errors.New("the centre's certificate authority")

const day = 24 * time.Hour

// How long certificates hold, how long before their end they are made anew, and how far back they begin, for whoever
// compares times by a clock that is slow.
const (
	authorityLife  = 3650 * day
	authorityRenew = 730 * day
	serverLife     = 90 * day
	serverRenew    = 30 * day
	begunBefore    = day
)

// mostSent bounds the certificates behind the server's own. A device that was away for longer than they reach back, a
// century, has to be enrolled anew.
const mostSent = 16

// Source is where a server has its certificate from.
type Source interface {
	// Certificate is the one to show now, with all that is sent behind it.
	Certificate() (*tls.Certificate, error)
	// Anchor is the certificate to which it leads: its key is what new devices come to know.
	Anchor() *x509.Certificate
}

// ServerTLS is how a server speaks by the certificates of s: TLS 1.3 or later.
func ServerTLS(s Source) *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS13,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return s.Certificate() },
	}
}

// Pin is what a device knows a certificate's key by: SHA-256 of its SubjectPublicKeyInfo.
func Pin(c *x509.Certificate) events.Hash { return sha256.Sum256(c.RawSubjectPublicKeyInfo) }

// Config is what Open needs.
type Config struct {
	Path  string                 // the authority's file
	Names []string               // by which devices reach the server, DNS names and IP addresses; those of loopback are added
	Now   func() time.Time       // needed
	Log   *slog.Logger           // needed
	Used  func() (string, error) // names what says that there was an authority before; empty for nothing
}

// Authority is a centre's own certificate authority. Its methods may be called at the same time.
type Authority struct {
	cfg Config

	mu      sync.Mutex // protects what follows, and the order of writes to the file
	key     *ecdsa.PrivateKey
	certs   []*x509.Certificate // what is sent, the newest first
	server  *tls.Certificate    // nil until it is asked for
	failing time.Time           // when a renewal could last not be written
}

// Open loads the authority, or makes it where there is no file and nothing says that there was one. Its error wraps
// ErrAuthority.
func Open(cfg Config) (*Authority, error) {
	a := &Authority{cfg: cfg}
	b, err := os.ReadFile(cfg.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = a.found()
	case err == nil:
		if a.key, a.certs, err = read(b); err != nil {
			err = fmt.Errorf("%s: %w; take it back from a backup", cfg.Path, err)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrAuthority, err)
	}
	_, err = a.Certificate()
	return a, err
}

// found makes a new authority.
func (a *Authority) found() error {
	trace, err := a.cfg.Used()
	if err != nil {
		return err
	}
	if trace != "" {
		return fmt.Errorf("%s is not there, but %s is: take it back from a backup", a.cfg.Path, trace)
	}
	var id [4]byte
	rand.Read(id[:]) // never fails: crypto/rand ends the program instead
	key, err := newKey()
	if err != nil {
		return err
	}
	c, err := sign(authorityOf(pkix.Name{CommonName: fmt.Sprintf("Ullage centre %x", id)}, a.cfg.Now()), nil, key, key)
	if err != nil {
		return err
	}
	return a.keep(key, []*x509.Certificate{c})
}

// keep writes an authority down and goes on with it.
func (a *Authority) keep(key *ecdsa.PrivateKey, certs []*x509.Certificate) error {
	b, err := encode(key, certs)
	if err != nil {
		return err
	}
	if err := disk.WriteFile(a.cfg.Path, b); err != nil {
		return err
	}
	a.key, a.certs, a.server = key, certs, nil
	return nil
}

// Anchor is the authority's newest certificate.
func (a *Authority) Anchor() *x509.Certificate {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.certs[0]
}

// Certificate makes anew what is near its end, or not valid yet. Where a new authority cannot be written down, the old
// one goes on, and it is tried again a minute later.
func (a *Authority) Certificate() (*tls.Certificate, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.cfg.Now()
	if since := now.Sub(a.failing); due(a.certs[0], now, authorityRenew) && (since < 0 || since >= time.Minute) {
		if err := a.renew(now); err != nil {
			a.failing = now
			a.cfg.Log.Error("the certificate authority cannot be renewed; the old one goes on", "until", a.certs[0].NotAfter, "error", err)
		}
	}
	if a.server == nil || due(a.server.Leaf, now, serverRenew) {
		server, err := a.issue(now)
		if err != nil {
			return nil, fmt.Errorf("make the server's certificate: %w", err)
		}
		a.server = server
	}
	return a.server, nil
}

// due tells whether a certificate is to be made anew.
func due(c *x509.Certificate, now time.Time, before time.Duration) bool {
	return now.Before(c.NotBefore) || now.Add(before).After(c.NotAfter)
}

// renew makes the authority's next key, and has it signed by the one before; or, where the clock was wrong when the
// newest certificate was made, that one anew.
func (a *Authority) renew(now time.Time) error {
	old := a.certs[0]
	next := authorityOf(old.Subject, now)
	if now.Before(old.NotBefore) {
		c, err := sign(next, nil, a.key, a.key)
		if err != nil {
			return err
		}
		a.cfg.Log.Warn("the certificate authority was made under a clock that was ahead; its certificate is made anew", "from", old.NotBefore)
		return a.keep(a.key, append([]*x509.Certificate{c}, a.certs[1:]...))
	}
	key, err := newKey()
	if err != nil {
		return err
	}
	self, err := sign(next, nil, key, key)
	if err != nil {
		return err
	}
	byOld, err := sign(next, old, key, a.key)
	if err != nil {
		return err
	}
	rest := a.certs
	if len(rest) > 1 {
		rest = rest[1:] // of the same key as the second, which is signed by the one before
	}
	certs := append([]*x509.Certificate{self, byOld}, rest...)
	a.cfg.Log.Info("the certificate authority has a new key, signed by the old one", "until", self.NotAfter)
	return a.keep(key, certs[:min(len(certs), mostSent)])
}

// issue makes the server's key and certificate.
func (a *Authority) issue(now time.Time) (*tls.Certificate, error) {
	return a.certify(&x509.Certificate{
		Subject:   pkix.Name{CommonName: "Ullage centre"},
		NotBefore: now.Add(-begunBefore), NotAfter: now.Add(serverLife),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, append([]string{"localhost", "127.0.0.1", "::1"}, a.cfg.Names...))
}

// Issue makes key and certificate, in PEM, of a message server in a cluster, for clients and for the other servers, which
// it also calls. They hold as long as the authority's own, since nobody renews a file by itself.
func (a *Authority) Issue(name string, reached []string) (cert, key []byte, err error) {
	if _, err := a.Certificate(); err != nil { // a new authority, where the old one is near its end
		return nil, nil, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	made, err := a.certify(&x509.Certificate{
		Subject:   pkix.Name{CommonName: "Ullage message server " + name},
		NotBefore: a.cfg.Now().Add(-begunBefore), NotAfter: a.certs[0].NotAfter,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, reached)
	if err != nil {
		return nil, nil, fmt.Errorf("certificate of %s: %w", name, err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(made.PrivateKey)
	if err != nil {
		return nil, nil, fmt.Errorf("certificate of %s: %w", name, err)
	}
	return EncodePEM(append([]*x509.Certificate{made.Leaf}, a.certs...)...), pem.EncodeToMemory(&pem.Block{Type: keyType, Bytes: der}), nil
}

// Roots are what leads to this authority: its own certificates, the old ones too.
func (a *Authority) Roots() []*x509.Certificate {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.certs)
}

// certify makes a key, and a certificate of it for some names. It needs mu held.
func (a *Authority) certify(c *x509.Certificate, names []string) (*tls.Certificate, error) {
	key, err := newKey()
	if err != nil {
		return nil, err
	}
	c.KeyUsage, c.BasicConstraintsValid = x509.KeyUsageDigitalSignature, true
	for _, name := range names {
		if ip, err := netip.ParseAddr(name); err == nil {
			c.IPAddresses = append(c.IPAddresses, ip.AsSlice())
		} else {
			c.DNSNames = append(c.DNSNames, name)
		}
	}
	leaf, err := sign(c, a.certs[0], key, a.key)
	if err != nil {
		return nil, err
	}
	server := &tls.Certificate{PrivateKey: key, Leaf: leaf, Certificate: [][]byte{leaf.Raw}}
	for _, c := range a.certs {
		server.Certificate = append(server.Certificate, c.Raw)
	}
	return server, nil
}

func authorityOf(name pkix.Name, now time.Time) *x509.Certificate {
	return &x509.Certificate{
		Subject:   name,
		NotBefore: now.Add(-begunBefore), NotAfter: now.Add(authorityLife),
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign, IsCA: true, BasicConstraintsValid: true,
	}
}

func newKey() (*ecdsa.PrivateKey, error) { return ecdsa.GenerateKey(elliptic.P256(), rand.Reader) }

// sign makes a certificate of a key, signed by another's; by is nil where it is signed by itself.
func sign(c, by *x509.Certificate, key, signer *ecdsa.PrivateKey) (*x509.Certificate, error) {
	if by == nil {
		by = c
	}
	der, err := x509.CreateCertificate(rand.Reader, c, by, key.Public(), signer)
	if err != nil {
		return nil, err
	}
	return x509.ParseCertificate(der)
}

// Types of PEM blocks.
const (
	keyType  = "PRIVATE KEY"
	certType = "CERTIFICATE"
)

// encode is the inverse of read.
func encode(key *ecdsa.PrivateKey, certs []*x509.Certificate) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: keyType, Bytes: der}), EncodePEM(certs...)...), nil
}

// EncodePEM writes certificates as text.
func EncodePEM(certs ...*x509.Certificate) []byte {
	var b bytes.Buffer
	for _, c := range certs {
		pem.Encode(&b, &pem.Block{Type: certType, Bytes: c.Raw}) // into memory, which does not fail
	}
	return b.Bytes()
}

// read reads an authority as it was written. What is damaged shows: the key is that of the first certificate, each is
// signed as it stands, and nothing else is there.
func read(b []byte) (*ecdsa.PrivateKey, []*x509.Certificate, error) {
	block, rest := pem.Decode(b)
	if block == nil || block.Type != keyType {
		return nil, nil, errors.New("it does not begin with a private key in PEM")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, nil, err
	}
	key, ok := parsed.(*ecdsa.PrivateKey)
	if !ok || key.Curve != elliptic.P256() {
		return nil, nil, errors.New("its key is not one of ECDSA P-256")
	}
	certs, err := decodeCerts(rest)
	if err != nil {
		return nil, nil, err
	}
	if !key.PublicKey.Equal(certs[0].PublicKey) {
		return nil, nil, errors.New("its key is not that of its first certificate")
	}
	if err := certs[0].CheckSignatureFrom(certs[0]); err != nil {
		return nil, nil, fmt.Errorf("certificate 1: %w", err)
	}
	for i := 1; i < len(certs)-1; i++ {
		if err := certs[i].CheckSignatureFrom(certs[i+1]); err != nil {
			return nil, nil, fmt.Errorf("certificate %d: %w", i+1, err)
		}
	}
	if last := certs[len(certs)-1]; len(certs) < mostSent { // the first key's; of one that was let go, nothing is left to check it by
		if err := last.CheckSignatureFrom(last); err != nil {
			return nil, nil, fmt.Errorf("certificate %d: %w", len(certs), err)
		}
	}
	again, err := encode(key, certs)
	if err == nil && !bytes.Equal(again, b) {
		err = errors.New("it holds something else beside the key and its certificates")
	}
	return key, certs, err
}

// decodeCerts reads what EncodePEM writes, of at least one certificate.
func decodeCerts(b []byte) ([]*x509.Certificate, error) {
	var certs []*x509.Certificate
	for len(b) > 0 {
		var block *pem.Block
		if block, b = pem.Decode(b); block == nil {
			break
		}
		if block.Type != certType {
			return nil, fmt.Errorf("a %s where a certificate should stand", block.Type)
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("certificate %d: %w", len(certs)+1, err)
		}
		certs = append(certs, c)
	}
	if len(certs) == 0 {
		return nil, errors.New("it holds no certificate")
	}
	return certs, nil
}
