package ca

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"time"
)

// ErrGiven is in the error of OpenGiven where the certificates cannot be used.
var ErrGiven = errors.New("the given certificates")

// warnBefore is how long before their end given certificates are told of.
const warnBefore = 14 * day

// mostGiven bounds the bytes of either file.
const mostGiven = 1 << 20

// GivenConfig is what OpenGiven needs.
type GivenConfig struct {
	Cert, Key string           // files in PEM: the server's certificate and those that lead on from it, each signed by the next; its key
	Names     []string         // by which devices reach the server; the certificate must have them all
	Now       func() time.Time // needed
	Log       *slog.Logger     // needed
}

// Given are certificates that somebody else makes and renews. The files are read again when they have changed. Its
// methods may be called at the same time.
type Given struct {
	cfg GivenConfig

	mu     sync.Mutex // protects what follows
	seen   stamp      // of the files when they were last read
	server *tls.Certificate
	chain  []*x509.Certificate
}

// stamp tells by what files are taken to have changed.
type stamp struct {
	certAt, keyAt     time.Time
	certSize, keySize int64
}

// OpenGiven reads the files. Its error wraps ErrGiven, and says what would be right.
func OpenGiven(cfg GivenConfig) (*Given, error) {
	g := &Given{cfg: cfg}
	var err error
	if g.seen, err = g.look(); err == nil {
		g.server, g.chain, err = g.load()
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrGiven, err)
	}
	g.warn()
	return g, nil
}

// Anchor is the last certificate of the chain.
func (g *Given) Anchor() *x509.Certificate {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.chain[len(g.chain)-1]
}

// Certificate reads the files anew where they have changed. What cannot be used is told, and the old one goes on: also
// a new one that does not lead to the key that devices know.
func (g *Given) Certificate() (*tls.Certificate, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now, err := g.look()
	if err == nil && now == g.seen {
		return g.server, nil
	}
	var server *tls.Certificate
	var chain []*x509.Certificate
	if err == nil {
		server, chain, err = g.load()
	}
	if err == nil && !leads(chain, g.chain[len(g.chain)-1]) {
		err = errors.New("they do not lead to the key that devices know, and none would take them; to use them all the same, and enrol every device anew, start the centre again")
	}
	if err != nil {
		if now != g.seen { // once
			g.cfg.Log.Error("the new certificates cannot be used; the old ones go on", "file", g.cfg.Cert, "until", g.server.Leaf.NotAfter, "error", err)
		}
		g.seen = now
		return g.server, nil
	}
	g.seen, g.server, g.chain = now, server, chain
	g.cfg.Log.Info("new certificates are in use", "file", g.cfg.Cert, "until", server.Leaf.NotAfter)
	g.warn()
	return g.server, nil
}

// leads tells whether the key of to is among those of a chain.
func leads(chain []*x509.Certificate, to *x509.Certificate) bool {
	for _, c := range chain {
		if Pin(c) == Pin(to) {
			return true
		}
	}
	return false
}

func (g *Given) look() (stamp, error) {
	cert, err := os.Stat(g.cfg.Cert)
	if err != nil {
		return stamp{}, err
	}
	key, err := os.Stat(g.cfg.Key)
	if err != nil {
		return stamp{}, err
	}
	return stamp{cert.ModTime(), key.ModTime(), cert.Size(), key.Size()}, nil
}

// load reads both files and holds them to what a device will ask of them.
func (g *Given) load() (*tls.Certificate, []*x509.Certificate, error) {
	certs, err := readFile(g.cfg.Cert)
	if err != nil {
		return nil, nil, err
	}
	key, err := readFile(g.cfg.Key)
	if err != nil {
		return nil, nil, err
	}
	server, err := tls.X509KeyPair(certs, key)
	if err != nil {
		return nil, nil, fmt.Errorf("%s and %s: %w", g.cfg.Cert, g.cfg.Key, err)
	}
	if len(server.Certificate) > mostSent {
		return nil, nil, fmt.Errorf("%s: %d certificates; at most %d are sent", g.cfg.Cert, len(server.Certificate), mostSent)
	}
	var chain []*x509.Certificate
	for i, der := range server.Certificate {
		c, err := x509.ParseCertificate(der)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: certificate %d: %w", g.cfg.Cert, i+1, err)
		}
		if i > 0 {
			if err := chain[i-1].CheckSignatureFrom(c); err != nil {
				return nil, nil, fmt.Errorf("%s: certificate %d is not signed by the next; the server's comes first, and each is followed by the one that signed it: %w", g.cfg.Cert, i, err)
			}
		}
		chain = append(chain, c)
	}
	for _, name := range g.cfg.Names {
		if err := chain[0].VerifyHostname(name); err != nil {
			return nil, nil, fmt.Errorf("%s is not for %s, where devices come; name what it is for with --name, or give one for that: %w", g.cfg.Cert, name, err)
		}
	}
	server.Leaf = chain[0]
	return &server, chain, nil
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostGiven+1))
	if err == nil && len(b) > mostGiven {
		err = fmt.Errorf("%s: more than %d bytes; it should hold certificates or a key in PEM", path, mostGiven)
	}
	return b, err
}

// warn tells of a certificate that does not hold, or soon not any more. Devices do not mind: they know a key, and
// compare no times. Browsers do.
func (g *Given) warn() {
	if c := g.server.Leaf; due(c, g.cfg.Now(), warnBefore) {
		g.cfg.Log.Warn("the given certificate does not hold now, or not for long any more", "file", g.cfg.Cert, "from", c.NotBefore, "until", c.NotAfter)
	}
}
