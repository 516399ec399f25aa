package cluster

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nkeys"

	"ullage/syncd/broker"
	"ullage/syncd/trust"
)

// What one seat has revoked stays so, though another, which has not heard of it, hands over the same account; and who rests
// does so until that is over, and no longer.
func TestRevocationStays(t *testing.T) {
	w := newWorld(t)
	first, second := filepath.Join(w.dir, "centre"), filepath.Join(w.dir, "second")
	s := w.serve(first)
	s.enrol("tab-1")
	s.end()
	w.command("seat", "--dir", first, "--to", second)
	join := func(dir string) (*trust.Trust, *broker.Cluster) {
		keys, err := trust.Open(trust.Config{Dir: dir, Cluster: true})
		if err != nil {
			t.Fatal(err)
		}
		c, err := broker.Join(t.Context(), broker.ClusterConfig{Servers: strings.Split(w.urls(), ","), TLS: keys.ClientTLS(), Trust: keys})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			c.Shutdown()
			if err := keys.Close(); err != nil {
				t.Error(err)
			}
		})
		return keys, c
	}
	keys, one := join(first)
	_, two := join(second)
	accounts := func(user string) (n int) {
		for i := range size {
			if strings.Contains(claims(t, read(t, w.folder(i), "accounts", keys.DevicesAccount()+".jwt")), user) {
				n++
			}
		}
		return n
	}
	device, ok := keys.Device("tab-1")
	if !ok {
		t.Fatal("tab-1 is not known")
	}
	revoked, err := keys.Revoke("tab-1")
	if err != nil {
		t.Fatal(err)
	}
	if err := one.UpdateDevicesAccount(revoked); err != nil {
		t.Fatal(err)
	}
	kp, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	flood, err := kp.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	if err := two.Rest(flood, 2*time.Second); err != nil {
		t.Fatal(err)
	}
	if a, b := accounts(device.Conn), accounts(flood); a != size || b != size {
		t.Errorf("%d servers have the revocation, and %d who rests", a, b)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- two.Run(ctx) }()
	eventually(t, "who rested may come again", 30*time.Second, func() bool { return accounts(flood) == 0 })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if n := accounts(device.Conn); n != size {
		t.Errorf("%d servers have the revocation in the end", n)
	}
	if states := one.States(); len(states) != size {
		t.Errorf("servers are %+v", states)
	}
}
