package ca_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/events"
	"ullage/syncd/trust/ca"
)

// clock is a time that tests move.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

const (
	day  = 24 * time.Hour
	year = 365 * day
)

// world is an authority's folder, a clock and what was logged.
type world struct {
	t     *testing.T
	path  string
	clock *clock
	log   bytes.Buffer
	trace string
}

func newWorld(t *testing.T) *world {
	return &world{t: t, path: filepath.Join(t.TempDir(), "authority.pem"), clock: &clock{time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)}}
}

func (w *world) logger() *slog.Logger { return slog.New(slog.NewTextHandler(&w.log, nil)) }

func (w *world) try() (*ca.Authority, error) {
	return ca.Open(ca.Config{
		Path: w.path, Names: []string{"centre.example", "192.0.2.7"}, Now: w.clock.now, Log: w.logger(),
		Used: func() (string, error) { return w.trace, nil },
	})
}

func (w *world) open() *ca.Authority {
	w.t.Helper()
	a, err := w.try()
	if err != nil {
		w.t.Fatal(err)
	}
	return a
}

// shown is what a server with these certificates sends in a real handshake.
func shown(t *testing.T, s ca.Source) []*x509.Certificate {
	t.Helper()
	l, err := tls.Listen("tcp", "127.0.0.1:0", ca.ServerTLS(s))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	done := make(chan error, 1)
	go func() {
		conn, err := l.Accept()
		if err == nil {
			err = conn.(*tls.Conn).Handshake()
			conn.Close()
		}
		done <- err
	}()
	conn, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if v := conn.ConnectionState().Version; v != tls.VersionTLS13 {
		t.Errorf("TLS version %x", v)
	}
	return conn.ConnectionState().PeerCertificates
}

// trusts holds that whoever trusts root comes from what is shown to it, for every name, at that time.
func (w *world) trusts(sent []*x509.Certificate, root *x509.Certificate, at time.Time) {
	w.t.Helper()
	for _, name := range []string{"centre.example", "192.0.2.7", "127.0.0.1", "localhost", "::1"} {
		o := x509.VerifyOptions{DNSName: name, Roots: x509.NewCertPool(), Intermediates: x509.NewCertPool(), CurrentTime: at}
		o.Roots.AddCert(root)
		for _, c := range sent[1:] {
			o.Intermediates.AddCert(c)
		}
		if _, err := sent[0].Verify(o); err != nil {
			w.t.Errorf("as %s: %v", name, err)
		}
	}
}

// pinned tells whether the certificates lead from the first to a key, each signed by one of the others.
func pinned(sent []*x509.Certificate, pin events.Hash) bool {
	reached := []*x509.Certificate{sent[0]}
	for grown := true; grown; {
		grown = false
		for _, c := range sent {
			if !slices.Contains(reached, c) && slices.ContainsFunc(reached, func(r *x509.Certificate) bool { return r.CheckSignatureFrom(c) == nil }) {
				reached, grown = append(reached, c), true
			}
		}
	}
	return slices.ContainsFunc(reached[1:], func(c *x509.Certificate) bool { return ca.Pin(c) == pin })
}

func TestFirstStart(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	sent := shown(t, a)
	if len(sent) != 2 || ca.Pin(sent[1]) != ca.Pin(a.Anchor()) {
		t.Fatalf("%d certificates are sent", len(sent))
	}
	w.trusts(sent, a.Anchor(), w.clock.at)
	if hold := sent[0].NotAfter.Sub(w.clock.at); hold > 91*day {
		t.Errorf("the server's certificate holds for %v", hold)
	}
	if info, err := os.Stat(w.path); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	again := w.open()
	if !again.Anchor().Equal(a.Anchor()) {
		t.Error("another authority at the second start")
	}
	w.trusts(shown(t, again), a.Anchor(), w.clock.at)
	if log := w.log.String(); strings.Contains(log, "PRIVATE") {
		t.Error(log)
	}
}

// TestYears lets an authority run for decades, started anew now and then: at every time, what it shows is valid, and
// whoever knows any of its keys of before finds the way.
func TestYears(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	pins := []events.Hash{ca.Pin(a.Anchor())}
	root := a.Anchor()
	before, servers := a.Anchor(), map[string]bool{}
	for n, end := 0, w.clock.at.Add(45*year); w.clock.at.Before(end); n++ {
		sent := shown(t, a)
		servers[string(sent[0].Raw)] = true
		if pin := ca.Pin(a.Anchor()); !slices.Contains(pins, pin) {
			pins = append(pins, pin)
			if left := before.NotAfter.Sub(w.clock.at); left < year {
				t.Errorf("the authority was renewed %v before its end", left)
			}
			// Who has trusted the old one by a browser's rules still does.
			w.trusts(sent, root, w.clock.at)
			root = a.Anchor()
		}
		before = a.Anchor()
		if n%5 == 0 {
			w.trusts(sent, root, w.clock.at)
		}
		if left := sent[0].NotAfter.Sub(w.clock.at); left < 29*day {
			t.Fatalf("the server's certificate holds for %v only", left)
		}
		for i, pin := range pins {
			if n%10 == 0 && !pinned(sent, pin) {
				t.Fatalf("in %v: no way to key %d of %d", w.clock.at, i+1, len(pins))
			}
		}
		if w.clock.at = w.clock.at.Add(29 * day); n%50 == 49 {
			a = w.open()
		}
	}
	if len(pins) != 6 || len(servers) < 45*365/90 {
		t.Errorf("%d keys and %d certificates of the server in 45 years", len(pins), len(servers))
	}
	b, err := os.ReadFile(w.path)
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(b, []byte("PRIVATE KEY-----\n")); n != 2 { // begin and end of one
		t.Errorf("the file has %d lines about private keys: an old key was not let go", n)
	}
}

// TestCenturies: what is sent stays bounded, and leads back as far as it can.
func TestCenturies(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	var pins []events.Hash
	for range 30 {
		shown(t, a)
		pins = append(pins, ca.Pin(a.Anchor()))
		w.clock.at = a.Anchor().NotAfter.Add(-day)
		a = w.open()
	}
	sent := shown(t, a)
	if len(sent) != 17 {
		t.Errorf("%d certificates are sent", len(sent))
	}
	for i, pin := range pins {
		if want := i >= len(pins)-14; pinned(sent, pin) != want {
			t.Errorf("a way to key %d of %d: %v", i+1, len(pins), !want)
		}
	}
}

// A clock that was ahead when certificates were made locks nobody out, and changes no pin.
func TestClockWasWrong(t *testing.T) {
	w := newWorld(t)
	right := w.clock.at
	w.clock.at = right.Add(9 * year)
	a := w.open()
	pin := ca.Pin(a.Anchor())
	w.clock.at = right // while it runs
	sent := shown(t, a)
	w.trusts(sent, a.Anchor(), right)
	if ca.Pin(a.Anchor()) != pin || !pinned(sent, pin) {
		t.Error("another key")
	}
	// Renewed under such a clock, and then put right at a start.
	w.clock.at = right.Add(9 * year)
	shown(t, a)
	renewed := ca.Pin(a.Anchor())
	w.clock.at = right
	a = w.open()
	sent = shown(t, a)
	w.trusts(sent, a.Anchor(), right)
	if ca.Pin(a.Anchor()) != renewed || renewed == pin || !pinned(sent, pin) || !pinned(sent, renewed) {
		t.Error("the way to one of both keys is lost")
	}
}

// TestCannotBeWritten: an authority that cannot be written down does not change; once it can be, it does.
func TestCannotBeWritten(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	before := a.Anchor()
	dir := filepath.Dir(w.path)
	if err := os.Rename(dir, dir+"-away"); err != nil {
		t.Fatal(err)
	}
	w.clock.at = before.NotAfter.Add(-year)
	for range 3 {
		w.trusts(shown(t, a), before, w.clock.at)
	}
	if a.Anchor() != before {
		t.Error("it goes on with what is not on the disk")
	}
	if n := strings.Count(w.log.String(), "cannot be renewed"); n != 1 {
		t.Errorf("told %d times:\n%s", n, w.log.String())
	}
	if err := os.Rename(dir+"-away", dir); err != nil {
		t.Fatal(err)
	}
	w.clock.at = w.clock.at.Add(time.Minute)
	shown(t, a)
	if a.Anchor() == before || w.open().Anchor().Equal(before) {
		t.Error("it was not tried again")
	}
}

// TestLive renews the server's certificate while a connection stands.
func TestLive(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	l, err := tls.Listen("tcp", "127.0.0.1:0", ca.ServerTLS(a))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				io.Copy(conn, conn)
			}()
		}
	}()
	dial := func() *tls.Conn {
		t.Helper()
		conn, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	echo := func(conn net.Conn) {
		t.Helper()
		b := []byte("still there")
		if _, err := conn.Write(b); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, len(b))
		if _, err := io.ReadFull(conn, got); err != nil || !bytes.Equal(got, b) {
			t.Fatalf("%q, %v", got, err)
		}
	}
	first := dial()
	echo(first)
	w.clock.at = w.clock.at.Add(61 * day)
	second := dial()
	echo(second)
	echo(first)
	one, two := first.ConnectionState().PeerCertificates[0], second.ConnectionState().PeerCertificates[0]
	if one.Equal(two) || !two.NotAfter.After(one.NotAfter) {
		t.Errorf("not renewed: until %v, then %v", one.NotAfter, two.NotAfter)
	}
}

// TestLostOrDamaged: an authority that was there is never made anew.
func TestLostOrDamaged(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	w.clock.at = a.Anchor().NotAfter.Add(-year) // so that it has three certificates
	w.open()
	good, err := os.ReadFile(w.path)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(what string, b []byte) {
		t.Helper()
		if err := os.WriteFile(w.path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := w.try(); !errors.Is(err, ca.ErrAuthority) || !strings.Contains(err.Error(), "backup") {
			t.Errorf("%s: %v", what, err)
		}
		if now, err := os.ReadFile(w.path); err != nil || !bytes.Equal(now, b) {
			t.Errorf("%s: the file was changed, %v", what, err)
		}
	}
	for i := range good {
		flipped := bytes.Clone(good)
		flipped[i] ^= 1
		refused("a flipped bit", flipped)
	}
	for i := 0; i < len(good); i += 7 {
		refused("cut off", good[:i])
	}
	refused("something behind", append(bytes.Clone(good), "x"...))
	var blocks [][]byte
	for rest := good; len(rest) > 0; {
		var block *pem.Block
		block, rest = pem.Decode(rest)
		blocks = append(blocks, pem.EncodeToMemory(block))
	}
	if len(blocks) != 4 {
		t.Fatalf("%d blocks", len(blocks))
	}
	for _, order := range [][]int{{1, 2, 3}, {0, 2, 1, 3}, {0, 3}, {0, 1, 3, 2}, {0, 1, 0, 2, 3}} {
		var b []byte
		for _, i := range order {
			b = append(b, blocks[i]...)
		}
		refused("other blocks", b)
	}
	if err := os.Remove(w.path); err != nil {
		t.Fatal(err)
	}
	w.trace = "a device"
	if _, err := w.try(); !errors.Is(err, ca.ErrAuthority) || !strings.Contains(err.Error(), "a device") || !strings.Contains(err.Error(), "backup") {
		t.Errorf("lost: %v", err)
	}
	if _, err := os.Stat(w.path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it was made anew: %v", err)
	}
}

// A server of a cluster gets a certificate for its own names, by which clients and the other servers know it, also once the
// authority has another key.
func TestIssue(t *testing.T) {
	w := newWorld(t)
	a := w.open()
	cert, key, err := a.Issue("a", []string{"192.0.2.1"})
	if err != nil {
		t.Fatal(err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	check := func(use x509.ExtKeyUsage, name string) error {
		way := x509.VerifyOptions{DNSName: name, Roots: x509.NewCertPool(), CurrentTime: w.clock.at, KeyUsages: []x509.ExtKeyUsage{use}}
		for _, c := range a.Roots() {
			way.Roots.AddCert(c)
		}
		_, err := pair.Leaf.Verify(way)
		return err
	}
	for range 2 {
		for _, use := range []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth} {
			if err := check(use, "192.0.2.1"); err != nil {
				t.Errorf("use %d: %v", use, err)
			}
		}
		for _, name := range []string{"192.0.2.2", "localhost", "127.0.0.1"} {
			if check(x509.ExtKeyUsageServerAuth, name) == nil {
				t.Errorf("it is for %s too", name)
			}
		}
		w.clock.at = w.clock.at.AddDate(8, 1, 0) // the authority renews itself
		if _, err := a.Certificate(); err != nil {
			t.Fatal(err)
		}
	}
	if len(a.Roots()) < 3 {
		t.Errorf("the authority was not renewed: %d certificates", len(a.Roots()))
	}
	// The centre's own certificate lets nobody in among the servers.
	own, err := a.Certificate()
	if err != nil {
		t.Fatal(err)
	}
	pair.Leaf = own.Leaf
	if check(x509.ExtKeyUsageClientAuth, "") == nil {
		t.Error("the centre's certificate is one of a message server")
	}
}
