package broker_test

import (
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

func TestRestartKeepsAll(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	c.store("tab-1", "first")
	before := c.state()
	office, key := c.trust.Office()
	token := c.trust.Token()
	c.stop()

	again := startCentre(t, c.dir)
	if after := again.state(); after != before {
		t.Errorf("the streams after a restart:\n%s\nbefore:\n%s", after, before)
	}
	if o, k := again.trust.Office(); o != office || !k.Equal(key) || again.trust.Token() != token {
		t.Error("other keys after a restart")
	}
	nc, _ := again.device(d)
	if _, err := nc.SubscribeSync("inbox.tab-1.>"); err != nil {
		t.Error(err)
	}
	flush(t, nc)
	gate, _ := again.connect(trust.GateCentre)
	if seq, err := publish(gate, wire.PushSubject("tab-1"), []byte("second")); err != nil || seq != 2 {
		t.Errorf("the next message has sequence %d (%v), want 2", seq, err)
	}
}

func TestOneCentreAFolder(t *testing.T) {
	c := newCentre(t)
	if _, err := trust.Open(trust.Config{Dir: c.dir}); !errors.Is(err, disk.ErrHeld) {
		t.Errorf("a second centre: %v", err)
	} else if !strings.Contains(err.Error(), fmt.Sprint(os.Getpid())) {
		t.Errorf("%q does not name the process", err)
	}
	if _, err := broker.Start(broker.Config{Dir: filepath.Join(c.dir, "streams"), Trust: c.trust}); !errors.Is(err, disk.ErrHeld) {
		t.Errorf("a second broker: %v", err)
	}
	c.stop()
	startCentre(t, c.dir)
}

// Nobody is left trying to come back to a broker that is gone.
func TestShutdownClosesConnections(t *testing.T) {
	c := newCentre(t)
	b := c.broker
	nc, err := b.Connect(trust.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c.stop()
	if !nc.IsClosed() {
		t.Errorf("the connection is %v", nc.Status())
		nc.Close()
	}
	b.Shutdown()
}

func TestPorts(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	port := l.Addr().(*net.TCPAddr).Port
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	cfg := broker.Config{Dir: filepath.Join(dir, "streams"), Port: port, Trust: keys}
	if _, err := broker.Start(cfg); !errors.Is(err, broker.ErrPort) || !strings.Contains(err.Error(), fmt.Sprint(port)) {
		t.Errorf("a port that is taken: %v", err)
	}
	l.Close()
	b, err := broker.Start(cfg)
	if err != nil {
		t.Fatalf("once it is free: %v", err)
	}
	defer b.Shutdown()
	if b.Port() != port || b.ClientURL() != fmt.Sprintf("nats://127.0.0.1:%d", port) {
		t.Errorf("got %d, %s, want port %d", b.Port(), b.ClientURL(), port)
	}
	for _, host := range []string{"0.0.0.0", "::", "192.0.2.1", "example.org"} {
		if _, err := broker.Start(broker.Config{Dir: t.TempDir(), Host: host, Trust: keys}); !errors.Is(err, trust.ErrLoopback) {
			t.Errorf("host %s: %v", host, err)
		}
	}
}

// With TLS the server may be reached by others, and says nothing before the handshake; the centre's own parts connect as
// before.
func TestSpeaksTLS(t *testing.T) {
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	b, err := broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Host: "0.0.0.0", Name: "localhost", TLS: keys.TLS(), Trust: keys})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Shutdown()
	if want := fmt.Sprintf("tls://localhost:%d", b.Port()); b.ClientURL() != want {
		t.Errorf("devices connect to %s, want %s", b.ClientURL(), want)
	}
	if nc, err := b.Connect(trust.Reader); err != nil || nc.TLSRequired() {
		t.Errorf("within the process: %v", err)
	}
	conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", b.Port()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(patience))
	if _, err := conn.Write([]byte("CONNECT {}\r\nPING\r\n")); err != nil {
		t.Fatal(err)
	}
	if said, _ := io.ReadAll(conn); strings.Contains(string(said), "INFO") || strings.Contains(string(said), "PONG") {
		t.Errorf("in the clear it says %q", said)
	}
	if nc, err := nats.Connect(b.ClientURL(), nats.Secure(&tls.Config{InsecureSkipVerify: true}), nats.TLSHandshakeFirst()); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("without a credential: %v", err)
		nc.Close()
	}
}

// Streams that other keys made would be left aside in silence, and empty ones begun.
func TestStreamsOfOtherKeys(t *testing.T) {
	c := newCentre(t)
	c.store("tab-1", "first")
	c.stop()
	for _, name := range []string{"keys", "ca.pem"} {
		if err := os.RemoveAll(filepath.Join(c.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	keys, err := trust.Open(trust.Config{Dir: c.dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	if b, err := broker.Start(broker.Config{Dir: filepath.Join(c.dir, "streams"), Trust: keys}); !errors.Is(err, broker.ErrStore) {
		t.Errorf("got %v", err)
		if b != nil {
			b.Shutdown()
		}
	}
}

// A folder that cannot hold streams is an error of Start, not a server without streams.
func TestStoreThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	for name, block := range map[string]func(path string) error{
		"a file":              func(path string) error { return os.WriteFile(path, nil, 0o600) },
		"a link into nothing": func(path string) error { return os.Symlink(path+"-none", path) }, // found by the server only
	} {
		streams := t.TempDir()
		if err := block(filepath.Join(streams, "jetstream")); err != nil {
			t.Fatal(err)
		}
		for range 2 { // the first gives its lock back
			if b, err := broker.Start(broker.Config{Dir: streams, Trust: keys}); err == nil {
				b.Shutdown()
				t.Errorf("it started with %s in the way", name)
			} else if errors.Is(err, disk.ErrHeld) || !strings.Contains(err.Error(), "jetstream") && !strings.Contains(err.Error(), "JetStream") {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// The server leaves a stream out whose description is damaged. It is set up again over the messages that are there.
func TestDamagedDescription(t *testing.T) {
	c := newCentre(t)
	c.store("tab-1", "one")
	c.stop()
	path := filepath.Join(c.dir, "streams", "jetstream", c.trust.CentreAccount(), "streams", wire.Records.Name, "meta.inf")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	c = startCentre(t, c.dir)
	nc, _ := c.connect(trust.GateCentre)
	if seq, err := publish(nc, wire.PushSubject("tab-1"), []byte("two")); err != nil || seq != 2 {
		t.Errorf("the next message has sequence %d (%v), want 2", seq, err)
	}
	if log := c.log.String(); !strings.Contains(log, "set up again") || !strings.Contains(log, "messages=1") {
		t.Errorf("the log does not tell:\n%s", log)
	}
}

func TestEnsureStreams(t *testing.T) {
	c := newCentre(t)
	if err := c.broker.EnsureStreams(soon(t)); err != nil {
		t.Errorf("a second time: %v", err)
	}
	js, err := jetstream.New(c.spy("centre"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(soon(t), wire.Records.Name)
	if err != nil {
		t.Fatal(err)
	}
	good := s.CachedInfo().Config
	if good.AllowDirect || good.AllowRollup || !good.DenyDelete || !good.DenyPurge || good.MaxAge != 0 ||
		good.MaxMsgSize != wire.MaxMessage || good.Storage != jetstream.FileStorage {
		t.Errorf("RECORDS is %+v", good)
	}
	for name, change := range map[string]func(*jetstream.StreamConfig){
		"MaxAge":            func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour },
		"MaxMsgs":           func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 },
		"MaxMsgsPerSubject": func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 },
		"AllowDirect":       func(c *jetstream.StreamConfig) { c.AllowDirect = true },
		"AllowMsgTTL":       func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true },
		"Subjects":          func(c *jetstream.StreamConfig) { c.Subjects = []string{"push.*", "more"} },
		"RePublish":         func(c *jetstream.StreamConfig) { c.RePublish = &jetstream.RePublish{Source: ">", Destination: "out.>"} },
	} {
		bad := good
		change(&bad)
		if err := js.DeleteStream(soon(t), wire.Aside.Name); err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
			t.Fatal(err)
		}
		if err := js.DeleteStream(soon(t), wire.Records.Name); err != nil {
			t.Fatal(err)
		}
		if _, err := js.CreateStream(soon(t), bad); err != nil {
			t.Fatal(err)
		}
		if err := c.broker.EnsureStreams(soon(t)); !errors.Is(err, broker.ErrStream) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What the server says goes to the log; secrets do not, whatever happens.
func TestLogHasNoSecrets(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	nc, refused := c.device(d)
	nc.Publish("log", nil)
	flush(t, nc)
	wantRefused(t, refused, "log")
	c.dial(credential{d.id, d.token, c.enrol("tab-2").seed}, nats.NoReconnect())
	c.rude(d, "NONSENSE\r\n")
	c.stop()
	log := c.log.String()
	if !strings.Contains(log, "Publish Violation") {
		t.Errorf("the log does not say what was refused:\n%s", log)
	}
	var seeds map[string]any
	b, err := os.ReadFile(filepath.Join(c.dir, "keys", "centre.json"))
	if err != nil || json.Unmarshal(b, &seeds) != nil {
		t.Fatal(err)
	}
	secrets := []string{d.seed, d.token, c.trust.Token()}
	for _, name := range []string{"operator", "system", "centre", "devices"} {
		secrets = append(secrets, seeds[name].(string))
	}
	for _, s := range secrets {
		if s == "" || strings.Contains(log, s) {
			t.Errorf("a secret is in the log, or none was made: %.4s…", s)
		}
	}
}
