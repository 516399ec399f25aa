// Package port finds the ports that a centre keeps.
package port

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strconv"
	"sync/atomic"
	"syscall"
)

// From first on, count ports are below all that systems hand out for outgoing connections (from 32768 on Linux, from 49152
// by RFC 6335). One of those would be given to any program's connection while the centre is down, which then could not
// start again.
const (
	first = 20000
	count = 12000
)

// before counts what this process has asked for, from a place of its own, so that it gets no port twice.
var before atomic.Uint32

func init() { before.Store(rand.Uint32N(count)) }

// Free returns a port of the address on which nobody listens, to be kept for good. The error wraps that of the system
// where the address cannot be listened on at all.
func Free(host string) (int, error) {
	for range count {
		port := first + int(before.Add(1)%count)
		l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
		if errors.Is(err, syscall.EADDRINUSE) {
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("a port of %s: %w", host, err)
		}
		return port, l.Close()
	}
	return 0, fmt.Errorf("a port of %s: all from %d to %d are taken", host, first, first+count-1)
}
