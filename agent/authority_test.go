package agent_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"net"
	"testing"
	"time"

	"ullage/events"
)

// authority is a centre's certificate authority as a device sees one, made after events/wire/FORMAT.md and not by the
// centre's code.
type authority struct {
	t     testing.TB
	name  string
	at    time.Time // when its certificates are made
	key   *ecdsa.PrivateKey
	certs []*x509.Certificate // the newest first
}

func newAuthority(t testing.TB, name string, at time.Time) *authority {
	t.Helper()
	a := &authority{t: t, name: name, at: at, key: newKey(t)}
	a.certs = []*x509.Certificate{a.sign(a.template(), nil, a.key)}
	return a
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (a *authority) template() *x509.Certificate {
	return &x509.Certificate{
		Subject: pkix.Name{CommonName: a.name}, NotBefore: a.at, NotAfter: a.at.AddDate(10, 0, 0),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
}

func (a *authority) sign(c, by *x509.Certificate, key *ecdsa.PrivateKey) *x509.Certificate {
	a.t.Helper()
	if by == nil {
		by = c
	}
	der, err := x509.CreateCertificate(rand.Reader, c, by, key.Public(), a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	made, err := x509.ParseCertificate(der)
	if err != nil {
		a.t.Fatal(err)
	}
	return made
}

// renew gives it a new key, which the old one signs, under a name: its own, or another's.
func (a *authority) renew(name string) {
	a.t.Helper()
	key := newKey(a.t)
	a.name = name
	byOld := a.sign(a.template(), a.certs[0], key)
	a.key = key
	a.certs = append([]*x509.Certificate{byOld}, a.certs...)
}

func (a *authority) pin() events.Hash { return sha256.Sum256(a.certs[0].RawSubjectPublicKeyInfo) }

// server is a certificate for a name, and all that is sent behind it.
func (a *authority) server(name string) tls.Certificate {
	a.t.Helper()
	c := &x509.Certificate{
		NotBefore: a.at, NotAfter: a.at.AddDate(0, 0, 90), BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if ip := net.ParseIP(name); ip != nil {
		c.IPAddresses = []net.IP{ip}
	} else {
		c.DNSNames = []string{name}
	}
	key := newKey(a.t)
	all := [][]byte{a.sign(c, a.certs[0], key).Raw}
	for _, c := range a.certs {
		all = append(all, c.Raw)
	}
	return tls.Certificate{PrivateKey: key, Certificate: all}
}
