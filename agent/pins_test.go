package agent_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

// noKey is the stranger that the library finds out, by itself and with its own error.
const noKey = "ours without the key"

// strangers are certificates that a server may show which is not the centre.
func strangers(t *testing.T, c *centre) map[string]tls.Certificate {
	other := newAuthority(t, c.ca.name, time.Now())
	mixed := other.server("127.0.0.1")
	mixed.Certificate = append(mixed.Certificate, c.ca.certs[0].Raw) // it does not lead there
	public := newAuthority(t, "an authority that everybody trusts", time.Now())
	public.renew("one below it")
	stolen := c.ca.server("127.0.0.1")
	stolen.PrivateKey = newKey(t) // whose key it has not
	many := c.ca.server("127.0.0.1")
	for range 40 {
		many.Certificate = append(many.Certificate, other.certs[0].Raw)
	}
	return map[string]tls.Certificate{
		"another authority":      other.server("127.0.0.1"),
		"another, and ours":      mixed,
		"everybody's authority":  public.server("127.0.0.1"),
		"ours for another name":  c.ca.server("other.example"),
		noKey:                    stolen,
		"ours and many more":     many,
		"the authority's itself": {PrivateKey: c.ca.key, Certificate: [][]byte{c.ca.certs[0].Raw}},
	}
}

// TestStrangers lets others answer in the centre's place, at enrolment and afterwards: nothing is sent to them.
func TestStrangers(t *testing.T) {
	c := newCentre(t)
	ours := c.shown
	enrolledBefore := opened(t, enrolled(t, c), config())
	record(t, enrolledBefore, visit(1))
	for name, by := range strangers(t, c) {
		t.Run(name, func(t *testing.T) {
			c.show(by)
			defer c.show(ours)
			asked, enrols := c.counts()
			dir := filepath.Join(t.TempDir(), "device")
			_, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config())
			wantStrange(t, name, err)
			if _, err := os.Stat(filepath.Join(dir, "device.json")); err == nil {
				t.Error("it is enrolled all the same")
			}
			if name != noKey {
				_, err = enrolledBefore.Sync(t.Context(), nil)
				wantStrange(t, name, err)
				if s := status(t, enrolledBefore); len(s.Alarms) != 1 || !strings.Contains(s.Alarms[0], "not the centre") || s.Why == nil {
					t.Errorf("status: %+v", s)
				}
			}
			if a, e := c.counts(); a != asked || e != enrols {
				t.Errorf("%d requests and %d enrolments were sent", a-asked, e-enrols)
			}
		})
	}
	drained(t, c, enrolledBefore)
}

// counts are the requests and the enrolments so far.
func (c *centre) counts() (asked, enrols int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.asked, c.enrols
}

// wantStrange holds that a server was taken for another.
func wantStrange(t *testing.T, name string, err error) {
	t.Helper()
	var stop *agent.Stop
	if err == nil || name != noKey && (!errors.As(err, &stop) || stop.Kind != agent.StopCentre || !strings.Contains(stop.Text, "not the centre that this device was enrolled at")) {
		t.Errorf("got %v", err)
	}
}

// TestPlainServer has a server that speaks first, and without TLS.
func TestPlainServer(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var heard bytes.Buffer
	var served sync.WaitGroup
	served.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			conn.Write([]byte(`INFO {"server_id":"x","version":"2.10.0","proto":1,"auth_required":true,"nonce":"abc","max_payload":1048576}` + "\r\n"))
			b := make([]byte, 64<<10)
			for {
				n, err := conn.Read(b)
				mu.Lock()
				heard.Write(b[:n])
				mu.Unlock()
				if err != nil {
					break
				}
			}
			conn.Close()
		}
	})
	defer served.Wait()
	defer l.Close()
	redirect(t, dir, strings.TrimPrefix(c.nats.ClientURL(), "tls://"), l.Addr().String())
	d := opened(t, dir, config())
	record(t, d, visit(1))
	_, err = d.Sync(t.Context(), nil)
	wantStrange(t, "plain", err)
	code := wire.Code{Secret: c.code.Secret, Pin: c.code.Pin, Address: "https://" + l.Addr().String()}
	if _, err := agent.Enrol(t.Context(), filepath.Join(t.TempDir(), "d"), "", code.String(), config()); err == nil {
		t.Error("enrolled in the clear")
	}
	mu.Lock()
	defer mu.Unlock()
	for _, secret := range []string{"CONNECT", "POST", "a.b.c", string(device)} {
		if strings.Contains(heard.String(), secret) {
			t.Errorf("%q was sent in the clear", secret)
		}
	}
}

// redirect lets a device go elsewhere.
func redirect(t *testing.T, dir, from, to string) {
	t.Helper()
	path := filepath.Join(dir, "device.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(string(b), from, to)), 0o600); err != nil {
		t.Fatal(err)
	}
}

func pinsOf(t *testing.T, dir string) (list []string) {
	t.Helper()
	var f struct {
		Format int
		Pins   []string
	}
	path := filepath.Join(dir, "pins.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &f); err != nil || f.Format != 1 {
		t.Fatalf("%s: %v", b, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	return f.Pins
}

// TestNewKeys renews the centre's authority while devices are away.
func TestNewKeys(t *testing.T) {
	for _, times := range []int{1, 2, 5} {
		c := newCentre(t)
		dir := enrolled(t, c)
		first := c.ca.pin().String()
		if got := pinsOf(t, dir); len(got) != 1 || got[0] != first {
			t.Fatalf("pins %v", got)
		}
		want := []string{first}
		for range times {
			c.ca.renew(c.ca.name)
			want = append([]string{c.ca.pin().String()}, want...)
		}
		c.show(c.ca.server("127.0.0.1"))
		d := opened(t, dir, config())
		record(t, d, visit(1))
		drained(t, c, d)
		if got := pinsOf(t, dir); strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%d times: pins %v, want %v", times, got, want)
		}
		// The same device, and another process, then come without the old keys being shown.
		all := c.shown
		newest := *c.ca
		newest.certs = newest.certs[:1]
		c.show(newest.server("127.0.0.1"))
		for range 2 {
			record(t, d, visit(1))
			drained(t, c, d)
			if err := d.Close(); err != nil {
				t.Fatal(err)
			}
			d = opened(t, dir, config())
		}
		c.show(all)
		// One that comes by a code of before the renewals learns the same.
		if got := pinsOf(t, enrolledBy(t, c, c.code.Pin)); strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%d times: enrolled with pins %v, want %v", times, got, want)
		}
	}
}

// enrolledBy enrols one more, which knows the centre by a pin. The test's centre has one device, and forgets the one
// before.
func enrolledBy(t *testing.T, c *centre, pin events.Hash) string {
	t.Helper()
	c.mu.Lock()
	delete(c.devices, device)
	c.mu.Unlock()
	code := c.code
	code.Pin = pin
	dir := filepath.Join(t.TempDir(), "another")
	if _, err := agent.Enrol(t.Context(), dir, "", code.String(), config()); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestNoKeysOfOthers: who is below the pinned key under another name is taken, and not learned.
func TestNoKeysOfOthers(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	before := pinsOf(t, dir)
	c.ca.renew("an authority below")
	c.show(c.ca.server("127.0.0.1"))
	d := opened(t, dir, config())
	record(t, d, visit(1))
	drained(t, c, d)
	if got := pinsOf(t, dir); len(got) != 1 || got[0] != before[0] {
		t.Errorf("pins %v, before %v", got, before)
	}
}

// TestAnyClock has certificates that are not valid yet, or not any more: what a device whose clock is years off sees.
func TestAnyClock(t *testing.T) {
	c := newCentre(t)
	for name, at := range map[string]time.Time{
		"made in 2035, by this clock":  time.Date(2035, 1, 1, 0, 0, 0, 0, time.UTC),
		"begins in 40 days":            time.Now().AddDate(0, 0, 40),
		"has ended long ago":           time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC),
		"an authority of another time": time.Date(2070, 1, 1, 0, 0, 0, 0, time.UTC),
	} {
		t.Run(name, func(t *testing.T) {
			c.ca = newAuthority(t, "the centre", at)
			if strings.Contains(name, "authority") {
				c.ca.at = time.Now().AddDate(-30, 0, 0)
				c.ca.renew(c.ca.name)
				c.ca.at = time.Now()
			}
			c.show(c.ca.server("127.0.0.1"))
			d := opened(t, enrolledBy(t, c, c.ca.pin()), config())
			record(t, d, visit(1))
			drained(t, c, d)
		})
	}
}

// TestKnownByItsOwnKey: given certificates may be one alone, which the code then names.
func TestKnownByItsOwnKey(t *testing.T) {
	c := newCentre(t)
	alone := c.ca.server("127.0.0.1")
	alone.Certificate = alone.Certificate[:1]
	leaf, err := x509.ParseCertificate(alone.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	c.ca.certs = []*x509.Certificate{leaf}
	c.show(alone)
	d := opened(t, enrolledBy(t, c, c.ca.pin()), config())
	record(t, d, visit(1))
	drained(t, c, d)
}

// TestPinsLost: without its pins a device speaks to nobody.
func TestPinsLost(t *testing.T) {
	c := newCentre(t)
	for name, content := range map[string]string{
		"none": "", "no JSON": "{", "another format": `{"format":2,"pins":[]}`, "no pins": `{"format":1,"pins":[]}`, "no hash": `{"format":1,"pins":["ab"]}`,
	} {
		dir := enrolledBy(t, c, c.ca.pin())
		path := filepath.Join(dir, "pins.json")
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if name == "none" {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
		if d, err := agent.Open(t.Context(), dir, config()); err == nil || !strings.Contains(err.Error(), "pins.json") {
			t.Errorf("%s: %v", name, err)
			d.Close()
		}
		r, err := agent.Check(t.Context(), dir)
		if err != nil || r.OK || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].Do, "pins.json") {
			t.Errorf("%s: check says %+v, %v", name, r, err)
		}
	}
}
