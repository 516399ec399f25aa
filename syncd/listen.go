package syncd

import (
	"cmp"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"syscall"

	"ullage/syncd/trust"
)

// server answers HTTP on a port of its own.
type server struct {
	*http.Server
	on   net.Listener
	base string // its address, as others reach it
}

// hostName is a DNS name in its plain form (RFC 1123, section 2.1).
var hostName = regexp.MustCompile(`^(?i:[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?\.)*(?i:[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)$`)

// named settles where the centre listens and by which names it is reached. Its errors say what to give instead.
func (c *Centre) named() error {
	c.cfg.Host = cmp.Or(c.cfg.Host, "127.0.0.1")
	host, err := netip.ParseAddr(c.cfg.Host)
	if err != nil && (len(c.cfg.Host) > 253 || !hostName.MatchString(c.cfg.Host)) {
		return fmt.Errorf("%q is nothing to listen on: 127.0.0.1, another address of this machine, or 0.0.0.0 for all of them, is", c.cfg.Host)
	}
	for _, name := range c.cfg.Names {
		ip, err := netip.ParseAddr(name)
		if err == nil && (ip.IsUnspecified() || ip.Zone() != "") || err != nil && (len(name) > 253 || !hostName.MatchString(name)) {
			return fmt.Errorf("%q is no name by which devices could reach this centre: a DNS name or an IP address without a port is", name)
		}
	}
	c.names = slices.Clone(c.cfg.Names)
	everywhere := err == nil && host.IsUnspecified()
	switch {
	case everywhere && len(c.names) == 0:
		return fmt.Errorf("the centre is to listen on %s, that is everywhere: name what devices reach it by, with --name", c.cfg.Host)
	case everywhere:
	case len(c.names) == 0 || c.cfg.Cert == "": // given certificates need not be for an address that nobody is told
		c.names = append(c.names, c.cfg.Host)
	}
	return nil
}

// open tells whether the centre can be reached from other machines.
func (c *Centre) open() bool { return trust.CheckLoopback(c.cfg.Host) != nil }

// listen takes a port. Without TLS (secure is nil) only this machine can be listened on; the
// error then wraps trust.ErrLoopback.
func (c *Centre) listen(port int, secure *tls.Config) (server, error) {
	scheme := "https"
	if secure == nil {
		scheme = "http"
		if err := trust.CheckLoopback(c.cfg.Host); err != nil {
			return server{}, err
		}
	}
	on, err := net.Listen("tcp", net.JoinHostPort(c.cfg.Host, strconv.Itoa(port)))
	if errors.Is(err, syscall.EADDRINUSE) {
		return server{}, fmt.Errorf("port %d, which this centre has had since its first start, is taken by another program; end that one and start again: %w", port, err)
	}
	if err != nil {
		return server{}, fmt.Errorf("listen on port %d of %s: %w", port, c.cfg.Host, err)
	}
	if secure != nil {
		on = tls.NewListener(on, secure)
	}
	return server{on: on, base: scheme + "://" + net.JoinHostPort(c.names[0], strconv.Itoa(port))}, nil
}

func (s *server) address() string { return s.base }
