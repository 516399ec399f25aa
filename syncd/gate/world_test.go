package gate

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"go.uber.org/goleak"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
)

func TestMain(m *testing.M) {
	code := m.Run()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, "left over:", err)
		code = 1
	}
	os.Exit(code)
}

// world is a centre: a broker, its keys, and a stream to look at from outside.
type world struct {
	t       testing.TB
	trust   *trust.Trust
	broker  *broker.Broker
	records jetstream.Stream
	conns   map[*Gate]*nats.Conn // over which they commit

	mu      sync.Mutex
	revoked map[events.DeviceID]bool
	frozen  map[events.DeviceID]bool
	waits   map[events.DeviceID]chan struct{} // whom find keeps waiting
	asked   map[events.DeviceID]int           // how often find was asked
}

func newWorld(t testing.TB) *world {
	t.Helper()
	dir := t.TempDir()
	w := &world{t: t, conns: map[*Gate]*nats.Conn{}, revoked: map[events.DeviceID]bool{}, frozen: map[events.DeviceID]bool{}, waits: map[events.DeviceID]chan struct{}{}, asked: map[events.DeviceID]int{}}
	var err error
	if w.trust, err = trust.Open(trust.Config{Dir: dir}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.trust.Close() })
	if w.broker, err = broker.Start(broker.Config{Dir: dir + "/streams", Trust: w.trust}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.broker.Shutdown)
	if err := w.broker.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(w.connect(trust.Reader))
	if err != nil {
		t.Fatal(err)
	}
	if w.records, err = js.Stream(t.Context(), wire.Records.Name); err != nil {
		t.Fatal(err)
	}
	return w
}

func (w *world) connect(role trust.Role, opts ...nats.Option) *nats.Conn {
	w.t.Helper()
	nc, err := w.broker.Connect(role, append(opts, nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))...)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(nc.Close)
	return nc
}

// streamState is what RECORDS holds.
type streamState struct {
	Msgs, Bytes, FirstSeq, LastSeq uint64
	Deleted, Subjects              int
}

func (w *world) state() streamState {
	w.t.Helper()
	info, err := w.records.Info(context.Background())
	if err != nil {
		w.t.Fatalf("the stream is gone: %v", err)
	}
	s := info.State
	return streamState{s.Msgs, s.Bytes, s.FirstSeq, s.LastSeq, s.NumDeleted, int(s.NumSubjects)}
}

// stored reads all messages of a device.
func (w *world) stored(d events.DeviceID) []storedMessage { return w.storedOn(wire.PushSubject(d)) }

// storedOn reads all messages of a subject of RECORDS.
func (w *world) storedOn(subject string) (all []storedMessage) {
	w.t.Helper()
	for seq := uint64(1); seq <= w.state().LastSeq; seq++ {
		m, err := w.records.GetMsg(context.Background(), seq)
		if err != nil {
			w.t.Fatal(err)
		}
		if m.Subject != subject {
			continue
		}
		c, records, err := wire.DecodeStored(m.Data)
		if err != nil {
			w.t.Fatal(err)
		}
		all = append(all, storedMessage{m.Sequence, m.Data, c, records})
	}
	return all
}

type storedMessage struct {
	seq     uint64
	data    []byte
	commit  *wire.Commit
	records [][]byte
}

// find is the gate's Find, with devices that a test may revoke or keep waiting.
func (w *world) find(id events.DeviceID) (Device, bool) {
	w.mu.Lock()
	w.asked[id]++
	wait, revoked, frozen := w.waits[id], w.revoked[id], w.frozen[id]
	w.mu.Unlock()
	if wait != nil {
		<-wait
	}
	d, ok := w.trust.Device(id)
	return Device{Key: d.Key, Office: d.Office, Revoked: d.Revoked || revoked, Frozen: frozen}, ok
}

// hold makes find wait for a device until the returned function is called.
func (w *world) hold(id events.DeviceID) (release func()) {
	wait := make(chan struct{})
	w.mu.Lock()
	w.waits[id] = wait
	w.mu.Unlock()
	var once sync.Once
	release = func() {
		once.Do(func() {
			w.mu.Lock()
			delete(w.waits, id)
			w.mu.Unlock()
			close(wait)
		})
	}
	w.t.Cleanup(release)
	return release
}

// waiting waits until find was asked for a device that often.
func (w *world) waiting(id events.DeviceID, times int) {
	w.t.Helper()
	eventually(w.t, func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		return w.asked[id] >= times
	})
}

func eventually(t testing.TB, done func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !done(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not come to that")
		}
	}
}

// reader is a read model that has nothing but what a test gives it.
type reader struct {
	pull func(events.DeviceID, wire.PullRequest) (*wire.PullAnswer, error)
	own  func(events.DeviceID, wire.Range) (wire.BackAnswer, error)

	chain func(events.DeviceID, events.Seq) (events.Hash, ed25519.PublicKey, error)

	erased func(events.DeviceID, events.Seq) ([]events.Digest, error) // nil: nothing was
}

func (r reader) Pull(_ context.Context, d events.DeviceID, q wire.PullRequest) (*wire.PullAnswer, error) {
	return r.pull(d, q)
}

func (r reader) Own(_ context.Context, d events.DeviceID, q wire.Range) (wire.BackAnswer, error) {
	return r.own(d, q)
}

func (r reader) ChainAt(_ context.Context, d events.DeviceID, seq events.Seq) (events.Hash, ed25519.PublicKey, error) {
	return r.chain(d, seq)
}

func (r reader) Erased(_ context.Context, d events.DeviceID, upto events.Seq) ([]events.Digest, error) {
	if r.erased == nil {
		return nil, nil
	}
	return r.erased(d, upto)
}

// gate makes a gate with connections of its own; centre are options of that to the streams.
func (w *world) gate(change func(*Config), centre ...nats.Option) *Gate {
	w.t.Helper()
	conn := w.connect(trust.GateCentre, centre...)
	log, err := OpenLog(w.t.Context(), conn)
	if err != nil {
		w.t.Fatal(err)
	}
	name, key := w.trust.Gate()
	cfg := Config{
		Name: name, Key: key, Gates: w.trust.GateKeys, Devices: w.connect(trust.GateDevices), Log: log, Find: w.find, Reader: reader{},
		Now: func() events.Millis { return events.MillisOf(time.Now()) }, Random: rand.Reader, Messages: slog.New(slog.DiscardHandler),
	}
	if change != nil {
		change(&cfg)
	}
	g := New(cfg)
	w.conns[g] = conn
	return g
}

// run lets a gate answer until the test ends, or until the returned function is called, which waits for it.
func (w *world) run(g *Gate) (stop func()) {
	w.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	eventually(w.t, func() bool { return g.cfg.Devices.NumSubscriptions() > 0 })
	if err := g.cfg.Devices.Flush(); err != nil {
		w.t.Fatal(err)
	}
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				w.t.Errorf("the gate ended with %v", err)
			}
		})
	}
	w.t.Cleanup(stop)
	return stop
}

// device is a device with its connection, and the chain that it has written.
type device struct {
	w     *world
	id    events.DeviceID
	key   ed25519.PrivateKey // of its enrolment
	turns []turn             // the renewals of it, in order
	conn  *nats.Conn
	dial  func() *nats.Conn // once more; nil where it cannot
	chain [][]byte          // its records
	links []events.Hash     // the link before each of them, and behind the last
}

func (w *world) device(name string) *device {
	w.t.Helper()
	code, err := w.trust.NewCode(name, "https://127.0.0.1:1")
	if err != nil {
		w.t.Fatal(err)
	}
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		w.t.Fatal(err)
	}
	user, err := nkeys.CreateUser()
	if err != nil {
		w.t.Fatal(err)
	}
	public, err := user.PublicKey()
	if err != nil {
		w.t.Fatal(err)
	}
	a, err := w.trust.Redeem(wire.EnrolRequest{Secret: code.Secret[:], SealKey: key.Public().(ed25519.PublicKey), ConnKey: public, Software: "test"})
	if err != nil {
		w.t.Fatal(err)
	}
	dial := func() *nats.Conn {
		conn, err := nats.Connect(w.broker.ClientURL(), nats.UserJWT(func() (string, error) { return a.JWT, nil }, user.Sign),
			nats.CustomInboxPrefix(wire.InboxPrefix(a.Device)), nats.MaxReconnects(0), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
		if err != nil {
			return nil
		}
		w.t.Cleanup(conn.Close)
		return conn
	}
	conn := dial()
	if conn == nil {
		w.t.FailNow()
	}
	return &device{w: w, id: a.Device, key: key, conn: conn, dial: dial, links: []events.Hash{events.FirstLink(a.Device, key.Public().(ed25519.PublicKey))}}
}

// turn is a renewal: from the record behind after on, key seals.
type turn struct {
	after events.Seq
	key   ed25519.PrivateKey
}

// keyOf is the key that seals record seq.
func (d *device) keyOf(seq events.Seq) ed25519.PrivateKey {
	key := d.key
	for _, t := range d.turns {
		if t.after < seq {
			key = t.key
		}
	}
	return key
}

// renew puts a renewal behind the chain, of which the words may be changed.
func (d *device) renew(change func(*events.DeviceRenewed)) {
	d.w.t.Helper()
	public, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		d.w.t.Fatal(err)
	}
	body := events.DeviceRenewed{Device: d.id, Keys: []events.DeviceKey{{Use: "sealing", Key: public}}}
	if change != nil {
		change(&body)
	}
	raw, err := events.EncodeBody(&body)
	if err != nil {
		d.w.t.Fatal(err)
	}
	seq := events.Seq(len(d.chain) + 1)
	d.write(d.record(seq, func(r *events.Record) { r.Kind, r.Body = events.KindRenewed, raw }))
	if change == nil {
		d.turns = append(d.turns, turn{seq, key})
	}
}

// known is the device as Find has it.
func (d *device) known() Device { return Device{Key: d.key.Public().(ed25519.PublicKey)} }

// record makes a record of the device with that number.
func (d *device) record(seq events.Seq, change func(*events.Record)) []byte {
	body, err := events.EncodeBody(&events.TimeSpent{What: "work", Minutes: float64(seq)})
	if err != nil {
		d.w.t.Fatal(err)
	}
	at := events.Millis(1772438700000 + 1000*events.Millis(seq))
	r := events.Record{
		ID: events.NewRecordID(at, [10]byte(random(10))), Device: d.id, Seq: seq, Clock: events.ClockOf(at, 0), Done: at, Zone: 60,
		Site: "north-yard", By: "T2", Kind: "time.spent", V: 1, Body: body,
	}
	if change != nil {
		change(&r)
	}
	raw, err := events.EncodeRecord(&r)
	if err != nil {
		d.w.t.Fatal(err)
	}
	return raw
}

func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b)
	return b
}

// write puts records behind the device's chain.
func (d *device) write(records ...[]byte) {
	for _, r := range records {
		d.chain = append(d.chain, r)
		d.links = append(d.links, events.Link(d.links[len(d.links)-1], events.HashRecord(r)))
	}
}

// writeOrdinary puts n ordinary records behind the chain.
func (d *device) writeOrdinary(n int) {
	for range n {
		d.write(d.record(events.Seq(len(d.chain)+1), nil))
	}
}

func (d *device) seal(seq events.Seq) events.Seal {
	return events.SignSeal(d.keyOf(seq), d.id, seq, d.links[seq], "")
}

// push is the push of the chain's records first to last, with a seal over the last.
func (d *device) push(first, last events.Seq) wire.PushRequest {
	var list []byte
	for _, r := range d.chain[first-1 : last] {
		list = wire.AppendPiece(list, r)
	}
	return wire.PushRequest{First: first, Link: d.links[first-1], Seals: []events.Seal{d.seal(last)}, Data: wire.Squeeze(list)}
}

// ask sends a request over the device's connection and returns the answer.
func (d *device) ask(verb wire.Verb, data []byte) wire.Answer {
	d.w.t.Helper()
	a, err := d.tryAsk(verb, data, 20*time.Second)
	if err != nil {
		d.w.t.Fatalf("%s of %s: %v", verb, d.id, err)
	}
	return a
}

func (d *device) tryAsk(verb wire.Verb, data []byte, patience time.Duration) (wire.Answer, error) {
	m, err := d.conn.Request(wire.UpSubject(d.id, verb), data, patience)
	if err != nil {
		return wire.Answer{}, err
	}
	return wire.DecodeAnswer(m.Data)
}

// sends pushes records first to last, and holds the answer to be ok with the receipt for them.
func (d *device) sends(first, last events.Seq) *wire.Receipt {
	d.w.t.Helper()
	a := d.ask(wire.Push, d.push(first, last).Encode())
	if a.Status != wire.OK {
		d.w.t.Fatalf("push of %d to %d: %s: %s", first, last, a.Status, a.Reason)
	}
	return d.checkCursor(a, last)
}

// checkCursor holds the body of an answer to a cursor, and its receipt to what is stored there.
func (d *device) checkCursor(a wire.Answer, seq events.Seq) *wire.Receipt {
	d.w.t.Helper()
	p, err := wire.DecodePushAnswer(a.Body)
	if err != nil {
		d.w.t.Fatal(err)
	}
	if p.Seq != seq || p.Link != d.links[seq] {
		d.w.t.Fatalf("the cursor is %d with the link %s, not %d with %s", p.Seq, p.Link, seq, d.links[seq])
	}
	if seq == 0 {
		if len(p.Receipt) > 0 {
			d.w.t.Error("a receipt for nothing")
		}
		return nil
	}
	r, err := wire.DecodeReceipt(p.Receipt)
	if err != nil {
		d.w.t.Fatal(err)
	}
	for _, k := range d.w.trust.GateKeys() {
		if k.Gate == r.Gate {
			err = r.Verify(k.Key)
		}
	}
	if err != nil {
		d.w.t.Error(err)
	}
	m, err := d.w.records.GetLastMsgForSubject(context.Background(), wire.PushSubject(d.id))
	if err != nil {
		d.w.t.Fatal(err)
	}
	c, _, err := wire.DecodeStored(m.Data)
	if err != nil {
		d.w.t.Fatal(err)
	}
	info, err := d.w.records.Info(context.Background())
	if err != nil {
		d.w.t.Fatal(err)
	}
	want := wire.Place{Seq: m.Sequence, Hash: sha256.Sum256(m.Data), Created: info.Created.UnixNano()}
	if r.Device != d.id || r.Last != seq || r.Link != d.links[seq] || r.Place != want || r.First != c.Range.From || r.Received != c.Received {
		d.w.t.Errorf("the receipt is %+v; the message stands at %+v, brings %+v, received %d", r, want, c.Range, c.Received)
	}
	return r
}

// checkStored holds what is stored of a device to its chain: every record once, in order, linked, under seals that hold.
func (d *device) checkStored(seq events.Seq) {
	d.w.t.Helper()
	next := events.Seq(1)
	for _, m := range d.w.stored(d.id) {
		c := m.commit
		if c.Device != d.id || c.Range.From != next || c.Seq != c.Range.To || c.Link != d.links[c.Seq] || !d.keyOf(c.Seq).Public().(ed25519.PublicKey).Equal(ed25519.PublicKey(c.Key)) {
			d.w.t.Fatalf("message %d of %s brings %+v up to %d; %d should come next", m.seq, d.id, c.Range, c.Seq, next)
		}
		if !slices.EqualFunc(m.records, d.chain[next-1:c.Seq], bytes.Equal) {
			d.w.t.Fatalf("message %d of %s has other records", m.seq, d.id)
		}
		for _, s := range c.Seals {
			if err := events.VerifySeal(c.Key, d.id, d.links[s.Seq], s); err != nil {
				d.w.t.Errorf("message %d of %s: %v", m.seq, d.id, err)
			}
		}
		next = c.Seq + 1
	}
	if next != seq+1 {
		d.w.t.Fatalf("%s has %d records in the stream, not %d", d.id, next-1, seq)
	}
}

// line is a connection within the process on which a test can lose what is sent and what comes back.
type line struct {
	inner nats.InProcessConnProvider

	mu   sync.Mutex
	lose string // what becomes of the next push: "ack", "cut", "push" or "hold"; empty: it goes through
	done chan struct{}
	held *lineConn
}

// option puts the line between a connection and the broker.
func (l *line) option() nats.Option {
	return func(o *nats.Options) error {
		l.inner, o.InProcessServer = o.InProcessServer, l
		return nil
	}
}

func (l *line) InProcessConn() (net.Conn, error) {
	c, err := l.inner.InProcessConn()
	if err != nil {
		return nil, err
	}
	return &lineConn{Conn: c, line: l}, nil
}

// next says what becomes of the next push:
//
//	ack    it arrives; what the broker says next is lost
//	cut    it arrives; then the connection ends
//	push   the connection ends before it arrives
//	hold   it and all that is sent after it arrive only after release
//
// The channel that it returns is closed when that has happened.
func (l *line) next(lose string) <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lose, l.done = lose, make(chan struct{})
	return l.done
}

// release lets go what was held.
func (l *line) release() error {
	c := l.held
	c.mu.Lock()
	defer c.mu.Unlock()
	_, err := c.Conn.Write(c.late)
	c.late, c.holds = nil, false
	return err
}

type lineConn struct {
	net.Conn
	line *line

	mu    sync.Mutex
	deaf  string // "ack" or "cut": what comes next is lost
	holds bool
	late  []byte
}

var errLine = errors.New("the line is cut")

func (c *lineConn) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := c.line
	l.mu.Lock()
	defer l.mu.Unlock()
	if bytes.Contains(b, []byte("PUB push.")) {
		switch l.lose {
		case "push":
			c.Conn.Close()
			close(l.done)
			l.lose = ""
			return 0, errLine
		case "hold":
			c.holds, l.held = true, c
			close(l.done)
		case "ack", "cut":
			c.deaf = l.lose
		}
		l.lose = ""
	}
	if c.holds {
		c.late = append(c.late, b...)
		return len(b), nil
	}
	return c.Conn.Write(b)
}

func (c *lineConn) Read(b []byte) (int, error) {
	for {
		n, err := c.Conn.Read(b)
		c.mu.Lock()
		deaf := c.deaf
		c.deaf = ""
		c.mu.Unlock()
		if err != nil || deaf == "" {
			return n, err
		}
		close(c.line.done)
		if deaf == "cut" {
			c.Conn.Close()
			return 0, errLine
		}
	}
}
