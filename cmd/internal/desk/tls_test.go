package desk_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/cmd/internal/officecli"
	"ullage/events/wire"
	"ullage/syncd"
	"ullage/syncd/trust/ca"
)

// A real device and a real centre, over TLS.

// enrolAgent makes a device of ours by a code.
func enrolAgent(t *testing.T, code wire.Code) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "device")
	if _, err := agent.Enrol(t.Context(), dir, "", code.String(), agent.Config{}); err != nil {
		t.Fatal(err)
	}
	return dir
}

// syncAgent records a line at a device, and syncs.
func syncAgent(t *testing.T, dir string) error {
	t.Helper()
	d, err := agent.Open(t.Context(), dir, agent.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if _, err := d.Record(t.Context(), strings.NewReader(arrival)); err != nil {
		t.Fatal(err)
	}
	notice, err := d.Sync(t.Context(), nil)
	return errors.Join(err, notice)
}

func pinsOf(t *testing.T, dir string) []string {
	t.Helper()
	var f struct{ Pins []string }
	b, err := os.ReadFile(filepath.Join(dir, "pins.json"))
	if err == nil {
		err = json.Unmarshal(b, &f)
	}
	if err != nil {
		t.Fatal(err)
	}
	return f.Pins
}

// authorityOf opens the authority of a file as of a time, which renews it where it is due.
func authorityOf(t *testing.T, path string, at time.Time) *ca.Authority {
	t.Helper()
	a, err := ca.Open(ca.Config{
		Path: path, Names: []string{"localhost"}, Now: func() time.Time { return at }, Log: slog.New(slog.DiscardHandler),
		Used: func() (string, error) { return "", nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestRenewedWhileAway renews the centre's authority twice while a device is away. (By a clock that is ahead; the centre
// then starts with the right one.) The device comes back, and learns both keys.
func TestRenewedWhileAway(t *testing.T) {
	c := newCentre(t)
	dir := enrolAgent(t, c.newCode("tab-1"))
	if err := syncAgent(t, dir); err != nil {
		t.Fatal(err)
	}
	first := pinsOf(t, dir)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(c.dir, "keys", "authority.pem")
	var newest string
	for i := range 2 {
		newest = ca.Pin(authorityOf(t, path, time.Now().AddDate(9*(i+1), 0, 0)).Anchor()).String()
	}
	again := serve(t, c.dir)
	if err := syncAgent(t, dir); err != nil {
		t.Fatal(err)
	}
	if got := pinsOf(t, dir); len(got) != 3 || got[0] != newest || got[2] != first[0] {
		t.Errorf("pins %v, the first was %v, the newest is %s", got, first, newest)
	}
	if code := again.newCode("tab-2"); code.Pin.String() != newest {
		t.Errorf("a new code names %s", code.Pin)
	}
	if got := again.audit("device", "tab-1"); len(got) < 2 {
		t.Errorf("%d records of the device", len(got))
	}
}

// TestAnotherCentre lets another centre answer at the addresses of the one that a device was enrolled at.
func TestAnotherCentre(t *testing.T) {
	c := newCentre(t)
	dir := enrolAgent(t, c.newCode("tab-1"))
	code := c.newCode("tab-2")
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	ports, err := os.ReadFile(filepath.Join(c.dir, "ports.json"))
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := filepath.Join(t.TempDir(), "other")
	if err := os.Mkdir(elsewhere, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(elsewhere, "ports.json"), ports, 0o600); err != nil {
		t.Fatal(err)
	}
	other := serve(t, elsewhere)
	if other.at != c.at {
		t.Fatalf("it is at %+v, not at %+v", other.at, c.at)
	}
	var stop *agent.Stop
	if err := syncAgent(t, dir); !errors.As(err, &stop) || stop.Kind != agent.StopCentre {
		t.Errorf("sync: %v", err)
	}
	_, err = agent.Enrol(t.Context(), filepath.Join(t.TempDir(), "d"), "", code.String(), agent.Config{})
	if !errors.As(err, &stop) || stop.Kind != agent.StopCentre {
		t.Errorf("enrolment: %v", err)
	}
	if log := other.log.String(); strings.Contains(log, "enrolment refused") || strings.Contains(log, "tab-1") {
		t.Errorf("something was said to it:\n%s", log)
	}
	if err := other.stop(); err != nil {
		t.Fatal(err)
	}
	serve(t, c.dir)
	if err := syncAgent(t, dir); err != nil {
		t.Errorf("back at its own: %v", err)
	}
}

// office runs an office command, and returns its status and what it printed.
func office(args ...string) (int, string) {
	var out bytes.Buffer
	status := officecli.Main(args, nil, &out, &out)
	return status, out.String()
}

// TestBeyondLoopback serves a centre that others can reach: everything speaks TLS, by the names that it was given.
func TestBeyondLoopback(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	c := serve(t, filepath.Join(t.TempDir(), "c"), func(cfg *syncd.Config) {
		cfg.Host, cfg.Names = "0.0.0.0", []string{"localhost", "centre.example", "192.0.2.7"}
	})
	for _, x := range []struct{ scheme, at string }{{"tls", c.at.NATS}, {"https", c.at.Enrol}, {"https", c.at.Office}} {
		if at := x.at; !strings.HasPrefix(at, x.scheme+"://localhost:") {
			t.Errorf("it is at %s", at)
		}
	}
	if err := syncAgent(t, enrolAgent(t, c.newCode("tab-1"))); err != nil {
		t.Fatal(err)
	}
	// Browsers and commands, by each name.
	for host, want := range map[string]bool{"localhost": true, "centre.example": true, "CENTRE.example:1": true, "192.0.2.7": true, "0.0.0.0": false, "other.example": false} {
		r := c.request("GET", "/api/machine", "")
		r.Host = host
		if status, _, body := c.do(r); (status == http.StatusOK) != want {
			t.Errorf("as %s: %d %s", host, status, body)
		}
	}
	token, authority := filepath.Join(c.dir, "token"), filepath.Join(c.dir, "ca.pem")
	if status, out := office("machine", "--dir", c.dir); status != 0 {
		t.Errorf("by its folder: %d %s", status, out)
	}
	if status, out := office("machine", "--centre", c.at.Office, "--token-file", token, "--ca", authority); status != 0 {
		t.Errorf("by its address: %d %s", status, out)
	}
	if status, out := office("machine", "--centre", c.at.Office, "--token-file", token); status != 1 || !strings.Contains(out, "--ca") {
		t.Errorf("without its authority: %d %s", status, out)
	}
	if status, out := office("machine", "--centre", c.at.Office, "--token-file", token, "--ca", token); status != 1 || !strings.Contains(out, "no certificate") {
		t.Errorf("with a file that is none: %d %s", status, out)
	}
	// Whoever does not speak TLS hears nothing of what is in there.
	for _, at := range []string{c.at.NATS, c.at.Enrol, c.at.Office} {
		u, err := url.Parse(at)
		if err != nil {
			t.Fatal(err)
		}
		conn, err := net.Dial("tcp", u.Host)
		if err != nil {
			t.Fatal(err)
		}
		conn.SetDeadline(time.Now().Add(20 * time.Second))
		fmt.Fprintf(conn, "GET /api/machine HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer %s\r\n\r\nPING\r\n", c.token())
		said, _ := io.ReadAll(conn)
		conn.Close()
		if text := string(said); strings.Contains(text, "INFO") || strings.Contains(text, "200 OK") || strings.Contains(text, "machines") {
			t.Errorf("%s says in the clear: %q", at, text)
		}
		old, err := tls.Dial("tcp", u.Host, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12})
		if err == nil {
			old.Close()
			t.Errorf("%s speaks TLS 1.2", at)
		}
	}
}

// TestNames refuses to listen where nobody could find it.
func TestNames(t *testing.T) {
	for _, x := range []struct {
		host  string
		names []string
		want  string
	}{
		{"0.0.0.0", nil, "--name"},
		{"::", nil, "--name"},
		{"0.0.0.0", []string{"0.0.0.0"}, "no name"},
		{"127.0.0.1:80", nil, "nothing to listen on"},
		{"", []string{"centre.example:443"}, "no name"},
		{"", []string{"https://centre.example"}, "no name"},
		{"", []string{"centre example"}, "no name"},
		{"", []string{""}, "no name"},
		{"", []string{"-x.example"}, "no name"},
		{"", []string{"*.example"}, "no name"},
		{"", []string{strings.Repeat("long.", 60) + "example"}, "no name"},
	} {
		dir := filepath.Join(t.TempDir(), "c")
		cfg := config(dir, &words{})
		cfg.Host, cfg.Names = x.host, x.names
		if c, err := syncd.Open(t.Context(), cfg); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("host %q, names %q: %v", x.host, x.names, err)
			if err == nil {
				c.Close()
			}
		}
		if exists(t, dir) {
			t.Errorf("host %q, names %q: something was made", x.host, x.names)
		}
	}
}

// give writes the certificates of an authority as files, and returns how a centre is given them.
func give(t *testing.T, dir string, a *ca.Authority) func(*syncd.Config) {
	t.Helper()
	shown, err := a.Certificate()
	if err != nil {
		t.Fatal(err)
	}
	key, err := x509.MarshalPKCS8PrivateKey(shown.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	var chain []byte
	for _, der := range shown.Certificate {
		chain = append(chain, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})...)
	}
	files := map[string][]byte{"cert.pem": chain, "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key})}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return func(cfg *syncd.Config) {
		cfg.Names, cfg.Cert, cfg.Key = []string{"localhost"}, filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	}
}

// TestGivenCertificates serves with certificates that somebody else makes, and changes them under a running device.
func TestGivenCertificates(t *testing.T) {
	files := t.TempDir()
	theirs := filepath.Join(t.TempDir(), "authority.pem")
	a := authorityOf(t, theirs, time.Now())
	with := give(t, files, a)
	c := serve(t, filepath.Join(t.TempDir(), "c"), with)
	code := c.newCode("tab-1")
	if code.Pin != ca.Pin(a.Anchor()) {
		t.Errorf("the code names %s", code.Pin)
	}
	if b, err := os.ReadFile(filepath.Join(c.dir, "ca.pem")); err != nil || !bytes.Equal(b, ca.EncodePEM(a.Anchor())) {
		t.Errorf("ca.pem: %v", err)
	}
	dir := enrolAgent(t, code)
	d, err := agent.Open(t.Context(), dir, agent.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	first := c.shown()
	give(t, files, authorityOf(t, theirs, time.Now()))
	second := c.shown()
	if first.Equal(second) {
		t.Error("the new certificates are not in use")
	}
	if _, err := d.Record(t.Context(), strings.NewReader(arrival)); err != nil {
		t.Fatal(err)
	}
	if notice, err := d.Sync(t.Context(), nil); err != nil || notice != nil {
		t.Errorf("sync: %v, %v", notice, err)
	}
	// Without them, the centre is another to the device, which says so.
	if err := errors.Join(d.Close(), c.stop()); err != nil {
		t.Fatal(err)
	}
	own := serve(t, c.dir)
	var stop *agent.Stop
	if err := syncAgent(t, dir); !errors.As(err, &stop) || stop.Kind != agent.StopCentre {
		t.Errorf("sync with another: %v", err)
	}
	if err := own.stop(); err != nil {
		t.Fatal(err)
	}
	serve(t, c.dir, with)
	if err := syncAgent(t, dir); err != nil {
		t.Error(err)
	}
	// Files that are not there are an error of the start.
	cfg := config(filepath.Join(t.TempDir(), "c"), &words{})
	cfg.Cert, cfg.Key = filepath.Join(files, "none.pem"), filepath.Join(files, "key.pem")
	if _, err := syncd.Open(context.Background(), cfg); !errors.Is(err, ca.ErrGiven) {
		t.Errorf("without the file: %v", err)
	}
}

// shown is the certificate that enrolment shows to a new connection.
func (c *centre) shown() *x509.Certificate {
	c.t.Helper()
	u, err := url.Parse(c.at.Enrol)
	if err != nil {
		c.t.Fatal(err)
	}
	conn, err := tls.Dial("tcp", u.Host, c.tls)
	if err != nil {
		c.t.Fatal(err)
	}
	defer conn.Close()
	return conn.ConnectionState().PeerCertificates[0]
}

// TestAuthorityLost: a centre whose authority is gone does not start with another, as long as anybody knows the old one.
func TestAuthorityLost(t *testing.T) {
	c := newCentre(t)
	enrolAgent(t, c.newCode("tab-1"))
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(c.dir, "keys", "authority.pem")
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Remove(path), os.Remove(filepath.Join(c.dir, "ca.pem"))); err != nil {
		t.Fatal(err)
	}
	if _, err := syncd.Open(t.Context(), config(c.dir, &words{})); !errors.Is(err, ca.ErrAuthority) || !strings.Contains(err.Error(), "tab-1.json") {
		t.Errorf("lost: %v", err)
	}
	if exists(t, path) {
		t.Error("it was made anew")
	}
	if err := os.WriteFile(path, slices.Concat(good[:300], good[310:]), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := syncd.Open(t.Context(), config(c.dir, &words{})); !errors.Is(err, ca.ErrAuthority) || !strings.Contains(err.Error(), "backup") {
		t.Errorf("damaged: %v", err)
	}
	if err := os.WriteFile(path, good, 0o600); err != nil {
		t.Fatal(err)
	}
	serve(t, c.dir)
	if !exists(t, filepath.Join(c.dir, "ca.pem")) {
		t.Error("ca.pem was not written again")
	}
}
