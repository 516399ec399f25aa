package broker_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/syncd/trust"
)

func (c *centre) revoke(name string) *jwt.AccountClaims {
	c.t.Helper()
	claims, err := c.trust.Revoke(events.DeviceID(name))
	if err != nil {
		c.t.Fatal(err)
	}
	return claims
}

func TestRevocationCuts(t *testing.T) {
	c := newCentre(t)
	one, two := c.enrol("tab-1"), c.enrol("tab-2")
	closed := make(chan time.Time, 1)
	lost, _ := c.device(one, nats.ClosedHandler(func(*nats.Conn) { closed <- time.Now() }), nats.ReconnectWait(10*time.Millisecond))
	stays, _ := c.device(two)
	flush(t, lost)

	claims := c.revoke("tab-1")
	start := time.Now()
	if err := c.broker.UpdateDevicesAccount(claims); err != nil {
		t.Fatal(err)
	}
	select {
	case at := <-closed:
		t.Logf("cut after %v: %v", at.Sub(start), lost.LastError())
	case <-time.After(patience):
		t.Fatalf("still connected: %v", lost.Status())
	}
	if _, err := c.dial(one); !revoked(err) {
		t.Errorf("connecting again: %v", err)
	}
	flush(t, stays)
	if stays.Stats().Reconnects > 0 {
		t.Error("the other device was cut too")
	}
	c.stop()
	again := startCentre(t, c.dir)
	if _, err := again.dial(one); !revoked(err) {
		t.Errorf("connecting after a restart: %v", err)
	}
	if d, ok := again.trust.Device("tab-1"); !ok || !d.Revoked {
		t.Errorf("after a restart: %+v, %v", d, ok)
	}
	again.device(two)
}

func revoked(err error) bool {
	return errors.Is(err, nats.ErrAuthorization) || err != nil && strings.Contains(strings.ToLower(err.Error()), "auth")
}

// Two revocations at once may reach the broker in the wrong order.
func TestRevocationsOutOfOrder(t *testing.T) {
	c := newCentre(t)
	one, two := c.enrol("tab-1"), c.enrol("tab-2")
	first, second := c.revoke("tab-1"), c.revoke("tab-2")
	for _, claims := range []*jwt.AccountClaims{second, first} {
		if err := c.broker.UpdateDevicesAccount(claims); err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []credential{one, two} {
		if _, err := c.dial(d); err == nil {
			t.Errorf("%s was let in", d.id)
		}
	}
	if err := c.broker.UpdateDevicesAccount(jwt.NewAccountClaims(c.trust.CentreAccount())); err == nil {
		t.Error("claims of another account were applied")
	}
}

// A machine whose clock was ahead made a credential that is dated after its revocation.
func TestRevocationOutlivesClocks(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	claims := c.revoke("tab-1")
	u, err := jwt.DecodeUserClaims(d.token)
	if err != nil {
		t.Fatal(err)
	}
	if !claims.Revocations.IsRevoked(u.Subject, time.Now().AddDate(20, 0, 0)) {
		t.Error("a credential of later date is not revoked")
	}
	if _, err := c.trust.Revoke("nobody"); !errors.Is(err, trust.ErrDevice) {
		t.Errorf("an unknown device: %v", err)
	}
}
