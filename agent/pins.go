package agent

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"ullage/events"
)

// pins are the hashes of the keys by which the device knows its centre, the newest first: at enrolment the one of the
// code, and then those that such a key has signed as the next. (events/wire/FORMAT.md, section 8, tells how a server is
// held to them.)
//
// An old pin is kept: a centre that was put back from a backup may show its old key for a while.
type pins []events.Hash

const (
	mostPins  = 8
	mostCerts = 32 // that a server may send
)

// pinsFormat is the version of pins.json.
const pinsFormat = 1

// pinFile is pins on disk, in hexadecimal digits.
type pinFile struct {
	Format int      `json:"format"`
	Pins   []string `json:"pins"`
}

// readPins reads pins.json.
func (h home) readPins() (pins, error) {
	var f pinFile
	err := readJSON(h.pins(), &f)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s is not there, so that this device cannot tell its centre from another: take the file back from a backup, or enrol anew in another folder", h.pins())
	case err != nil:
		return nil, err
	case f.Format != pinsFormat:
		return nil, fmt.Errorf("%s has format %d, which this version does not know", h.pins(), f.Format)
	case len(f.Pins) == 0 || len(f.Pins) > mostPins:
		return nil, fmt.Errorf("%s has %d pins; it should have 1 to %d", h.pins(), len(f.Pins), mostPins)
	}
	var p pins
	for _, text := range f.Pins {
		pin, err := events.ParseHash(text)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", h.pins(), err)
		}
		p = append(p, pin)
	}
	return p, nil
}

// writePins is the inverse of readPins.
func (h home) writePins(p pins) error {
	f := pinFile{Format: pinsFormat}
	for _, pin := range p {
		f.Pins = append(f.Pins, pin.String())
	}
	return writeJSON(h.pins(), f)
}

// with gives the pins with others that are newer.
func (p pins) with(newer pins) pins {
	all := slices.Clone(newer)
	for _, pin := range p {
		if !slices.Contains(all, pin) {
			all = append(all, pin)
		}
	}
	return all[:min(len(all), mostPins)]
}

// strange is the error about a server that the pins do not hold for.
func strange(why error) error {
	return &Stop{StopCentre, fmt.Sprintf("this is not the centre that this device was enrolled at: %v. Nothing was sent to it. Either something on the way answers in its place (the sign-in page of a wireless network, a filter), which another network would show, or the centre has other keys or another name; then tell the office", why)}
}

// tls is how the device speaks to the server of that name, a DNS name or an IP address. learned is called with the pins
// that are new to the device, if there are any, and the error of a handshake with another server is a *Stop.
//
// That nothing is verified by the library does not mean that nothing is verified: its own way compares times, and ours
// (check) does all but that.
func (p pins) tls(name string, learned func(pins)) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13, ServerName: name, InsecureSkipVerify: true,
		VerifyConnection: func(s tls.ConnectionState) error {
			fresh, err := p.check(name, s.PeerCertificates)
			if err != nil {
				return strange(err)
			}
			if len(fresh) > 0 {
				learned(fresh)
			}
			return nil
		},
	}
}

// check holds what a server has sent to the pins, and returns those of the keys on the way that are new, the newest
// first.
//
// It looks at no validity times. The clock of a device in the field may be years off, before as well as after; the
// certificates are the centre's own, and what a stolen old one is worth is bounded by the centre's key, not by a date.
func (p pins) check(name string, sent []*x509.Certificate) (fresh pins, err error) {
	if len(sent) == 0 || len(sent) > mostCerts {
		return nil, fmt.Errorf("it shows %d certificates", len(sent))
	}
	way := x509.VerifyOptions{DNSName: name, Roots: x509.NewCertPool(), Intermediates: x509.NewCertPool(), CurrentTime: time.Unix(0, 0)}
	pinned := false
	timeless := make([]*x509.Certificate, 0, len(sent))
	for _, c := range sent {
		c := withoutTimes(c)
		timeless = append(timeless, c)
		if slices.Contains(p, pinOf(c)) {
			way.Roots.AddCert(c)
			pinned = true
		}
		way.Intermediates.AddCert(c)
	}
	if !pinned {
		return nil, errors.New("it does not show the key that the code of enrolment named, or one that followed it")
	}
	found, err := timeless[0].Verify(way)
	if err != nil {
		return nil, err
	}
	for _, way := range found {
		for _, c := range way[1:] {
			pin := pinOf(c)
			if c.IsCA && bytes.Equal(c.RawSubject, c.RawIssuer) && !slices.Contains(p, pin) && !slices.Contains(fresh, pin) {
				fresh = append(fresh, pin)
			}
		}
	}
	return fresh, nil
}

// pinOf is the pin of a certificate's key.
func pinOf(c *x509.Certificate) events.Hash { return sha256.Sum256(c.RawSubjectPublicKeyInfo) }

// withoutTimes is a certificate that holds at every time.
func withoutTimes(c *x509.Certificate) *x509.Certificate {
	always := *c
	always.NotBefore, always.NotAfter = time.Time{}, time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)
	return &always
}
