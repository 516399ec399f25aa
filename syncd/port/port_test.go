package port_test

import (
	"net"
	"os"
	"strconv"
	"strings"
	"testing"

	"ullage/syncd/port"
)

func TestFree(t *testing.T) {
	seen := map[int]bool{}
	for range 100 {
		p, err := port.Free("127.0.0.1")
		if err != nil {
			t.Fatal(err)
		}
		if seen[p] {
			t.Fatalf("port %d twice", p)
		}
		seen[p] = true
		l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(p)))
		if err != nil {
			t.Fatal(err)
		}
		l.Close()
	}
	if _, err := port.Free("192.0.2.1"); err == nil { // RFC 5737: nobody's address
		t.Error("an address that is not ours was given a port")
	}
}

// TestBelowOutgoing checks the range against what this system says of its own.
func TestBelowOutgoing(t *testing.T) {
	b, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range")
	if err != nil {
		t.Skipf("SKIPPED: only Linux says which ports it hands out: %v", err)
	}
	low, err := strconv.Atoi(strings.Fields(string(b))[0])
	if err != nil {
		t.Fatal(err)
	}
	if p, err := port.Free("127.0.0.1"); err != nil || p >= low {
		t.Errorf("port %d (%v) is one that is handed out, from %d", p, err, low)
	}
}
