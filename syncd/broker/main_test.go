package broker_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"go.uber.org/goleak"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const patience = 5 * time.Second

// centre is a real one, keys and broker, in a folder.
type centre struct {
	t      *testing.T
	dir    string
	trust  *trust.Trust
	broker *broker.Broker
	log    *lockedBuffer
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func startCentre(t *testing.T, dir string) *centre {
	t.Helper()
	c := &centre{t: t, dir: dir, log: &lockedBuffer{}}
	log := slog.New(slog.NewTextHandler(c.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	var err error
	if c.trust, err = trust.Open(trust.Config{Dir: dir, Log: log}); err != nil {
		t.Fatal(err)
	}
	if c.broker, err = broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Trust: c.trust, Log: log}); err != nil {
		c.trust.Close()
		t.Fatal(err)
	}
	t.Cleanup(c.stop)
	if err := c.broker.EnsureStreams(soon(t)); err != nil {
		t.Fatal(err)
	}
	return c
}

func newCentre(t *testing.T) *centre { return startCentre(t, t.TempDir()) }

func (c *centre) stop() {
	if c.broker != nil {
		c.broker.Shutdown()
		c.trust.Close()
		c.broker = nil
	}
}

func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return ctx
}

// connect connects in a role; what the server refuses goes into refused.
func (c *centre) connect(role trust.Role) (nc *nats.Conn, refused chan error) {
	c.t.Helper()
	refused = make(chan error, 100)
	nc, err := c.broker.Connect(role, collect(refused))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(nc.Close)
	return nc, refused
}

func collect(refused chan error) nats.Option {
	return nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused <- err })
}

// credential is a device with all that it keeps.
type credential struct {
	id    events.DeviceID
	token string
	seed  string
}

// enrol goes the way of a device: a code, keys of its own, the answer.
func (c *centre) enrol(name string) credential {
	c.t.Helper()
	code, err := c.trust.NewCode(name, "https://127.0.0.1:1")
	if err != nil {
		c.t.Fatal(err)
	}
	seal, _, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		c.t.Fatal(err)
	}
	kp, public, seed := userKey(c.t)
	defer kp.Wipe()
	a, err := c.trust.Redeem(wire.EnrolRequest{Secret: code.Secret[:], SealKey: seal, ConnKey: public, Software: "test"})
	if err != nil {
		c.t.Fatal(err)
	}
	return credential{a.Device, a.JWT, seed}
}

func userKey(t *testing.T) (kp nkeys.KeyPair, public, seed string) {
	t.Helper()
	kp, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, _ = kp.PublicKey()
	s, _ := kp.Seed()
	return kp, public, string(s)
}

// device connects over TCP with the credential.
func (c *centre) device(d credential, opts ...nats.Option) (nc *nats.Conn, refused chan error) {
	c.t.Helper()
	refused = make(chan error, 100)
	nc, err := c.dial(d, append([]nats.Option{collect(refused)}, opts...)...)
	if err != nil {
		c.t.Fatal(err)
	}
	return nc, refused
}

func (c *centre) dial(d credential, opts ...nats.Option) (*nats.Conn, error) {
	nc, err := nats.Connect(c.broker.ClientURL(), append([]nats.Option{
		nats.UserJWTAndSeed(d.token, d.seed), nats.CustomInboxPrefix(wire.InboxPrefix(d.id)), nats.ReconnectBufSize(-1),
	}, opts...)...)
	if err == nil {
		c.t.Cleanup(nc.Close)
	}
	return nc, err
}

// spy connects as a user who may do everything in one account; no such user exists outside of tests.
func (c *centre) spy(account string) *nats.Conn {
	c.t.Helper()
	b, err := os.ReadFile(filepath.Join(c.dir, "keys", "centre.json"))
	if err != nil {
		c.t.Fatal(err)
	}
	var seeds map[string]any
	if err := json.Unmarshal(b, &seeds); err != nil {
		c.t.Fatal(err)
	}
	key, err := nkeys.FromSeed([]byte(seeds[account].(string)))
	if err != nil {
		c.t.Fatal(err)
	}
	_, public, seed := userKey(c.t)
	u := jwt.NewUserClaims(public)
	u.Pub.Allow.Add(">")
	u.Sub.Allow.Add(">")
	token, err := u.Encode(key)
	if err != nil {
		c.t.Fatal(err)
	}
	nc, err := nats.Connect(c.broker.ClientURL(), nats.UserJWTAndSeed(token, seed))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(nc.Close)
	return nc
}

// state is what the streams hold, as text.
func (c *centre) state() string {
	c.t.Helper()
	nc, _ := c.connect(trust.Manager)
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		c.t.Fatal(err)
	}
	var all []any
	for _, def := range broker.Streams() {
		s, err := js.Stream(soon(c.t), def.Name)
		if err != nil {
			c.t.Fatalf("stream %s: %v", def.Name, err)
		}
		i := s.CachedInfo()
		i.State.Consumers = 0
		all = append(all, i.State, i.Created, i.Config)
	}
	b, err := json.Marshal(all)
	if err != nil {
		c.t.Fatal(err)
	}
	return string(b)
}

// store puts a message where pushes are stored, in the gate's way.
func (c *centre) store(device events.DeviceID, data string) {
	c.t.Helper()
	nc, _ := c.connect(trust.GateCentre)
	defer nc.Close()
	if _, err := publish(nc, wire.PushSubject(device), []byte(data)); err != nil {
		c.t.Fatal(err)
	}
}

// publish stores a message and returns the sequence that the stream gave it.
func publish(nc *nats.Conn, subject string, data []byte) (uint64, error) {
	m := nats.NewMsg(subject)
	m.Data = data
	return publishMsg(nc, m)
}

func publishMsg(nc *nats.Conn, m *nats.Msg) (uint64, error) {
	r, err := nc.RequestMsg(m, patience)
	if err != nil {
		return 0, err
	}
	var ack struct {
		Seq   uint64
		Error *struct{ Description string }
	}
	if err := json.Unmarshal(r.Data, &ack); err != nil {
		return 0, err
	}
	if ack.Error != nil {
		return 0, errors.New(ack.Error.Description)
	}
	return ack.Seq, nil
}

func flush(t *testing.T, nc *nats.Conn) {
	t.Helper()
	if err := nc.FlushTimeout(patience); err != nil {
		t.Fatal(err)
	}
}

// wantRefused waits for one refusal that speaks of what.
func wantRefused(t *testing.T, refused chan error, what string) {
	t.Helper()
	select {
	case err := <-refused:
		if !errors.Is(err, nats.ErrPermissionViolation) || !strings.Contains(err.Error(), `"`+what+`"`) {
			t.Errorf("%s: got %v, want it refused for want of permission", what, err)
		}
	case <-time.After(patience):
		t.Fatalf("%s: not refused", what)
	}
}

// wantSilence fails if anything has come; call it after something later has.
func wantSilence(t *testing.T, sub *nats.Subscription) {
	t.Helper()
	if n, _, err := sub.Pending(); err != nil || n > 0 {
		m, _ := sub.NextMsg(time.Second)
		t.Errorf("%s heard %d messages (%v), the first %+v", sub.Subject, n, err, m)
	}
}

// rude connects as the device, sends what no client library would, and returns what the server says until it hangs up.
func (c *centre) rude(d credential, parts ...any) string {
	c.t.Helper()
	conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", c.broker.Port()))
	if err != nil {
		c.t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(patience))
	in := bufio.NewReader(conn)
	line, err := in.ReadString('\n')
	if err != nil {
		c.t.Fatal(err)
	}
	var info struct{ Nonce string }
	if err := json.Unmarshal([]byte(strings.TrimPrefix(line, "INFO ")), &info); err != nil {
		c.t.Fatal(err)
	}
	key, err := nkeys.FromSeed([]byte(d.seed))
	if err != nil {
		c.t.Fatal(err)
	}
	sig, err := key.Sign([]byte(info.Nonce))
	if err != nil {
		c.t.Fatal(err)
	}
	hello, _ := json.Marshal(map[string]any{"jwt": d.token, "sig": base64.RawURLEncoding.EncodeToString(sig), "protocol": 1, "headers": true})
	fmt.Fprintf(conn, "CONNECT %s\r\n", hello)
	go func() {
		for _, p := range parts {
			fmt.Fprintf(conn, "%s", p)
		}
	}()
	said, _ := io.ReadAll(in)
	return string(said)
}
