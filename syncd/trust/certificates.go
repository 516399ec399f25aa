package trust

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"

	"ullage/events"
	"ullage/syncd/trust/ca"
	"ullage/syncd/trust/disk"
)

// certificates are what the centre shows, and the file by which others come to trust it.
type certificates struct {
	ca.Source
	path string // ca.pem
	log  *slog.Logger

	mu      sync.Mutex // protects written
	written *x509.Certificate
}

// openCertificates loads the centre's certificate authority, or makes it at the first start, also at that of a folder
// from before there was one; and the certificates that are given, which then go before it.
func (t *Trust) openCertificates() error {
	t.cert.path, t.cert.log = filepath.Join(t.cfg.Dir, "ca.pem"), t.cfg.Log
	own, err := ca.Open(ca.Config{
		Path: filepath.Join(t.dir, "authority.pem"), Names: t.cfg.Names, Now: t.cfg.Now, Log: t.cfg.Log, Used: t.knownBy,
	})
	if err != nil {
		return err
	}
	t.cert.Source, t.authority = own, own
	switch {
	case t.cfg.Cert == "" && t.cfg.Key == "":
	case t.cfg.Cert == "" || t.cfg.Key == "":
		return errors.New("given certificates are two files, the chain and its key; one of them is not named")
	default:
		if t.cert.Source, err = ca.OpenGiven(ca.GivenConfig{Cert: t.cfg.Cert, Key: t.cfg.Key, Names: t.cfg.Names, Now: t.cfg.Now, Log: t.cfg.Log}); err != nil {
			return err
		}
	}
	return t.cert.publish()
}

// knownBy says what would know an authority that is not there any more.
func (t *Trust) knownBy() (string, error) {
	for id, d := range t.devices {
		if !d.pin.IsZero() {
			return t.devicePath(id), nil
		}
	}
	if _, err := os.Stat(t.cert.path); errors.Is(err, fs.ErrNotExist) {
		return "", nil
	} else if err != nil {
		return "", err
	}
	return t.cert.path, nil
}

// Certificate is the one to show now. Where it leads to another than before, ca.pem follows; if that cannot be written,
// the next start does it.
func (c *certificates) Certificate() (*tls.Certificate, error) {
	now, err := c.Source.Certificate()
	if err != nil {
		return nil, err
	}
	if err := c.publish(); err != nil {
		c.log.Error("the file for those who are to trust this centre cannot be written", "error", err)
	}
	return now, nil
}

// publish writes ca.pem where it does not hold what it should, once for each certificate.
func (c *certificates) publish() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	anchor := c.Anchor()
	if anchor == c.written {
		return nil
	}
	c.written = anchor
	want := ca.EncodePEM(anchor)
	if have, err := os.ReadFile(c.path); err == nil && bytes.Equal(have, want) {
		return nil
	}
	return disk.WriteFile(c.path, want)
}

// TLS is how this centre's servers speak. What it shows is renewed by itself, for the handshakes that come.
func (t *Trust) TLS() *tls.Config { return ca.ServerTLS(&t.cert) }

// ClientTLS is how this centre speaks to the servers of a cluster: theirs lead to its own authority, or to the one of the
// certificates that are given.
func (t *Trust) ClientTLS() *tls.Config {
	roots := x509.NewCertPool()
	for _, c := range append(t.authority.Roots(), t.cert.Anchor()) {
		roots.AddCert(c)
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: roots}
}

// ServerCertificate makes key and certificate, in PEM, for a server of a cluster, and the file by which it knows the others.
func (t *Trust) ServerCertificate(name string, reached []string) (cert, key, anchor []byte, err error) {
	if cert, key, err = t.authority.Issue(name, reached); err != nil {
		return nil, nil, nil, err
	}
	return cert, key, ca.EncodePEM(t.authority.Roots()...), nil
}

// Pin is what a new device knows this centre by.
func (t *Trust) Pin() events.Hash { return ca.Pin(t.cert.Anchor()) }
