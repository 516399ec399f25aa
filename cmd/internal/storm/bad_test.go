package storm

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"ullage/cmd/internal/officecli"
	"ullage/events"
	"ullage/events/wire"
)

// bad is a device that was enrolled like others, and keeps to nothing that a device should.
type bad struct {
	id     events.DeviceID
	nats   string
	jwt    string
	conn   nkeys.KeyPair
	seal   ed25519.PrivateKey
	done   atomic.Int64 // what it did
	before int64        // of that before the others came back
}

var trusting = &tls.Config{InsecureSkipVerify: true} // it is no agent that is tested here

// enrolBad makes one by a code of the office.
func enrolBad(t *testing.T, centre string, id events.DeviceID) *bad {
	t.Helper()
	var out, words strings.Builder
	if officecli.Main([]string{"enrol", string(id), "--dir", centre}, strings.NewReader(""), &out, &words) != 0 {
		t.Fatal(words.String())
	}
	code, err := wire.ParseCode(out.String())
	if err != nil {
		t.Fatal(err)
	}
	b := &bad{id: id}
	var public ed25519.PublicKey
	if public, b.seal, err = ed25519.GenerateKey(nil); err != nil {
		t.Fatal(err)
	}
	if b.conn, err = nkeys.CreateUser(); err != nil {
		t.Fatal(err)
	}
	user, err := b.conn.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	q, err := json.Marshal(wire.EnrolRequest{Secret: code.Secret[:], SealKey: public, ConnKey: user, Software: "bad"})
	if err != nil {
		t.Fatal(err)
	}
	client := http.Client{Transport: &http.Transport{TLSClientConfig: trusting, DisableKeepAlives: true}}
	r, err := client.Post(code.Address+wire.EnrolPath, "application/json", bytes.NewReader(q))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var a wire.EnrolAnswer
	if err := json.NewDecoder(r.Body).Decode(&a); err != nil || a.JWT == "" {
		t.Fatalf("%s: %v", r.Status, err)
	}
	b.nats, b.jwt = a.NATS, a.JWT
	return b
}

// connect connects it, as far as it is let.
func (b *bad) connect(more ...nats.Option) (*nats.Conn, error) {
	return nats.Connect(b.nats, append([]nats.Option{
		nats.Secure(trusting), nats.TLSHandshakeFirst(), nats.NoReconnect(), nats.CustomInboxPrefix(wire.InboxPrefix(b.id)),
		nats.UserJWT(func() (string, error) { return b.jwt, nil }, b.conn.Sign),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}),
	}, more...)...)
}

// address is where the centre listens for devices.
func (b *bad) address() string {
	u, err := url.Parse(b.nats)
	if err != nil {
		panic(err)
	}
	return u.Host
}

// signedHello is a hello of its own that holds.
func (b *bad) signedHello(reply string) []byte {
	q := wire.HelloRequest{Link: events.FirstLink(b.id, b.seal.Public().(ed25519.PublicKey)), Software: "bad"}
	q.Sign(b.seal, b.id, reply)
	return q.Encode()
}

// over does something over a connection, again and again, and makes a new one whenever it is cut.
func (b *bad) over(ctx context.Context, do func(*nats.Conn) error, opts ...nats.Option) {
	for ctx.Err() == nil {
		nc, err := b.connect(opts...)
		for err == nil && ctx.Err() == nil {
			err = do(nc)
			b.done.Add(1)
		}
		if nc != nil {
			nc.Close()
		}
		b.done.Add(1)
	}
}

// loops says hello for ever, and waits for each answer.
func (b *bad) loops(ctx context.Context) {
	b.over(ctx, func(nc *nats.Conn) error {
		inbox := nc.NewRespInbox()
		sub, err := nc.SubscribeSync(inbox)
		if err != nil {
			return err
		}
		defer sub.Unsubscribe()
		if err := nc.PublishRequest(wire.UpSubject(b.id, wire.Hello), inbox, b.signedHello(inbox)); err != nil {
			return err
		}
		_, err = sub.NextMsgWithContext(ctx)
		return err
	})
}

// floods sends hellos as fast as it can, and waits for nothing.
func (b *bad) floods(ctx context.Context) {
	b.over(ctx, func(nc *nats.Conn) error {
		inbox := nc.NewRespInbox()
		return nc.PublishRequest(wire.UpSubject(b.id, wire.Hello), inbox, b.signedHello(inbox))
	})
}

// talksNonsense sends bytes that mean nothing, of every size up to the largest, on all subjects and to foreign inboxes.
func (b *bad) talksNonsense(ctx context.Context) {
	verbs := []wire.Verb{wire.Hello, wire.Push, wire.Back, wire.Pull, "nothing"}
	junk := make([]byte, wire.MaxFrame+64<<10)
	rand.Read(junk)
	n := 0
	b.over(ctx, func(nc *nats.Conn) error {
		n++
		reply := nc.NewRespInbox()
		if n%3 == 0 {
			reply = wire.InboxPrefix(name(0)) + ".x"
		}
		if err := nc.PublishRequest(wire.UpSubject(b.id, verbs[n%len(verbs)]), reply, junk[:len(junk)>>(n%20)]); err != nil {
			return err
		}
		return nc.FlushTimeout(5 * time.Second)
	})
}

// deaf is a connection from which nothing is read once it is in.
type deaf struct {
	net.Conn
	ctx context.Context
	in  *atomic.Bool
}

func (d deaf) Read(p []byte) (int, error) {
	if d.in.Load() {
		<-d.ctx.Done()
		return 0, d.ctx.Err()
	}
	return d.Conn.Read(p)
}

// Dial is for nats.SetCustomDialer.
func (d deaf) Dial(network, address string) (net.Conn, error) {
	c, err := net.Dial(network, address)
	return deaf{c, d.ctx, d.in}, err
}

// readsNothing asks to be sent all that there is, and reads none of it.
func (b *bad) readsNothing(ctx context.Context) {
	for ctx.Err() == nil {
		in := &atomic.Bool{}
		nc, err := b.connect(nats.SetCustomDialer(deaf{ctx: ctx, in: in}))
		if err != nil {
			continue
		}
		inbox := nc.NewRespInbox()
		_, err = nc.SubscribeSync(inbox)
		if err == nil {
			err = nc.FlushTimeout(5 * time.Second)
		}
		in.Store(true)
		for err == nil && ctx.Err() == nil {
			err = nc.PublishRequest(wire.UpSubject(b.id, wire.Pull), inbox, wire.PullRequest{}.Encode())
			b.done.Add(1)
			pause(ctx, 10*time.Millisecond)
		}
		nc.Close()
	}
}

// dribbles connects, with or without a handshake, and sends a byte a second of what would be next.
func (b *bad) dribbles(ctx context.Context) {
	for n := 0; ctx.Err() == nil; n++ {
		c, err := net.Dial("tcp", b.address())
		if err != nil {
			continue
		}
		stop := context.AfterFunc(ctx, func() { c.Close() })
		says := []byte("\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")
		if n%2 == 0 {
			c, says = tls.Client(c, trusting), []byte(`CONNECT {"verbose":false,"pedantic":false,"jwt":"`)
		}
		for i := 0; err == nil && ctx.Err() == nil; i++ {
			_, err = c.Write(says[i%len(says):][:1])
			b.done.Add(1)
			pause(ctx, time.Second)
		}
		stop()
		c.Close()
	}
}

func pause(ctx context.Context, length time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(length):
	}
}

// TestBadDevicesHoldNobodyUp lets some hundred devices come back while others, enrolled as they are, say hello for ever,
// flood the centre, talk nonsense, read nothing, or say a byte a second: the honest ones are drained all the same, and
// nothing is lost or doubled. The bad ones go on until then.
func TestBadDevicesHoldNobodyUp(t *testing.T) {
	cfg := config(t, 200, 20)
	s := &storm{Config: cfg, report: &Report{Devices: cfg.Devices, Records: cfg.Records}}
	defer func() {
		if err := s.end(); err != nil {
			t.Error(err)
		}
	}()
	run := func(steps ...func(context.Context) error) {
		t.Helper()
		for _, step := range steps {
			if err := step(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	run(s.startCentre, s.enrol, s.record)

	ctx, stop := context.WithCancel(t.Context())
	var going sync.WaitGroup
	defer going.Wait()
	defer stop()
	all := map[string][]*bad{}
	for kind, way := range map[string]func(*bad, context.Context){
		"loops": (*bad).loops, "floods": (*bad).floods, "nonsense": (*bad).talksNonsense, "reads-nothing": (*bad).readsNothing, "dribbles": (*bad).dribbles,
	} {
		for n := range 4 {
			b := enrolBad(t, s.centreDir(), events.DeviceID(fmt.Sprintf("bad-%s-%d", kind, n)))
			all[kind] = append(all[kind], b)
			going.Go(func() { way(b, ctx) })
		}
	}
	each := func(do func(kind string, b *bad)) {
		for kind, list := range all {
			for _, b := range list {
				do(kind, b)
			}
		}
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) { // until all are at it
		idle := 0
		each(func(_ string, b *bad) {
			if b.before = b.done.Load(); b.before == 0 {
				idle++
			}
		})
		if idle == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("%d bad devices do nothing", idle)
		}
	}

	run(s.comeBack)
	meanwhile := map[string]int64{}
	each(func(kind string, b *bad) { meanwhile[kind] += b.done.Load() - b.before })
	t.Logf("meanwhile the bad ones did: %v", meanwhile)
	for kind, n := range meanwhile {
		if n == 0 {
			t.Errorf("%s: nothing was done while the others came back", kind)
		}
	}
	stop()
	going.Wait()
	run(alone(s.endCrews), s.settle, alone(s.endCentre), s.check, s.publish)
	held(t, s.report)
}
