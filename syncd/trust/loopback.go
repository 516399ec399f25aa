package trust

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
)

// ErrLoopback is in the error of CheckLoopback.
var ErrLoopback = errors.New("not an address of this machine alone")

// CheckLoopback refuses an address, with or without port, at which other machines could reach this one. Whoever listens
// without TLS asks it first. Its error wraps ErrLoopback.
func CheckLoopback(addr string) error {
	host := addr
	if h, _, err := net.SplitHostPort(addr); err == nil {
		host = h
	}
	if host == "localhost" {
		return nil
	}
	if ip, err := netip.ParseAddr(trimBrackets(host)); err == nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("%w: %q; without TLS a centre can be reached on 127.0.0.1, ::1 and localhost only", ErrLoopback, addr)
}

func trimBrackets(host string) string {
	if n := len(host); n > 2 && host[0] == '[' && host[n-1] == ']' {
		return host[1 : n-1]
	}
	return host
}
