package gate

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
)

// A request that names a reply subject outside of the device's own inbox is dropped: nothing is answered, stored or
// deleted, and nobody hears of it.
func TestForeignReply(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	w.run(g)
	d, other := w.device("tab-1"), w.device("tab-11")
	other.writeOrdinary(1)
	other.sends(1, 1)
	heard, err := other.conn.SubscribeSync("inbox.tab-11.>")
	if err != nil {
		t.Fatal(err)
	}
	own, err := d.conn.SubscribeSync("inbox.tab-1.>")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(other.conn.Flush(), d.conn.Flush()); err != nil {
		t.Fatal(err)
	}
	d.writeOrdinary(1)
	before := w.state()
	replies := []string{
		"", "push.tab-1", "push.tab-11", "$JS.API.STREAM.DELETE.RECORDS", "$JS.API.STREAM.PURGE.RECORDS", "$JS.API.STREAM.INFO.RECORDS", "$JS.API.STREAM.UPDATE.RECORDS",
		"up.tab-11.push", "up.tab-11.x", "inbox.tab-11.abc", "inbox.tab-11", "inbox.tab-1", "inbox.tab-1.", "inbox.tab-1..a", "inbox.tab-1.*", "inbox.tab-1.>", "inbox.tab-10.a",
		"inbox.*.a", "inbox.>", "_INBOX.a", "_in.gate.a", "aside.tab-1", "$SYS.REQ.SERVER.PING", "INBOX.tab-1.a",
	}
	dropped := uint64(0)
	for _, reply := range replies {
		for _, verb := range []wire.Verb{wire.Push, wire.Hello, wire.Pull, "other"} {
			m := nats.NewMsg(wire.UpSubject(d.id, verb))
			m.Reply, m.Data = reply, d.push(1, 1).Encode()
			if err := d.conn.PublishMsg(m); err != nil {
				t.Fatalf("%q: %v", reply, err)
			}
			dropped++
		}
	}
	// What comes behind them is answered, and then they have been looked at.
	if a := d.ask("other", nil); a.Status != wire.Refused {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	eventually(t, func() bool { return g.Counts().Dropped == dropped })
	if err := errors.Join(other.conn.Flush(), d.conn.Flush()); err != nil {
		t.Fatal(err)
	}
	for who, sub := range map[string]*nats.Subscription{"the other device": heard, "the device": own} {
		for {
			m, err := sub.NextMsg(50 * time.Millisecond)
			if errors.Is(err, nats.ErrTimeout) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if a, err := wire.DecodeAnswer(m.Data); err != nil || !strings.Contains(a.Reason, `"other"`) {
				t.Errorf("%s heard on %s: %q", who, m.Subject, m.Data)
			}
		}
	}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
	if g.Counts().Dropped != dropped {
		t.Errorf("%d were dropped, not %d", g.Counts().Dropped, dropped)
	}
	d.sends(1, 1)
	other.checkStored(1)
}

// A device cannot speak for another, nor reach a stream.
func TestDeviceStaysInItsRoom(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	w.run(g)
	d, other := w.device("tab-1"), w.device("tab-2")
	other.writeOrdinary(1)
	before := w.state()
	for _, subject := range []string{"up.tab-2.push", "push.tab-2", "push.tab-1", "$JS.API.STREAM.DELETE.RECORDS", "inbox.tab-2.a"} {
		m := nats.NewMsg(subject)
		m.Reply, m.Data = "inbox.tab-1.a", other.push(1, 1).Encode()
		if err := d.conn.PublishMsg(m); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.conn.Flush(); err != nil {
		t.Fatal(err)
	}
	if a := d.ask("other", nil); a.Status != wire.Refused {
		t.Error(a.Status)
	}
	if got := w.state(); got != before || g.Counts() != (Counts{}) {
		t.Errorf("the stream was %+v, and is %+v; %+v", before, got, g.Counts())
	}
	// Deeper subjects are not heard at all.
	if _, err := d.conn.Request("up.tab-1.push.more", d.push(1, 0).Encode(), 100*time.Millisecond); err == nil {
		t.Error("it was answered")
	}
}

// hello asks with a hello that sign may spoil, and returns the answer.
func (d *device) hello(seq events.Seq, link events.Hash, spoil func(*wire.HelloRequest, string)) wire.Answer {
	d.w.t.Helper()
	a, err := d.tryHello(seq, link, spoil)
	if err != nil {
		d.w.t.Fatal(err)
	}
	return a
}

func (d *device) tryHello(seq events.Seq, link events.Hash, spoil func(*wire.HelloRequest, string)) (wire.Answer, error) {
	inbox := d.conn.NewRespInbox()
	sub, err := d.conn.SubscribeSync(inbox)
	if err != nil {
		return wire.Answer{}, err
	}
	defer sub.Unsubscribe()
	q := wire.HelloRequest{Seq: seq, Link: link, Clock: events.ClockOf(1772438700000, 1), Software: "test"}
	q.Sign(d.key, d.id, inbox)
	if spoil != nil {
		spoil(&q, inbox)
	}
	if err := d.conn.PublishRequest(wire.UpSubject(d.id, wire.Hello), inbox, q.Encode()); err != nil {
		return wire.Answer{}, err
	}
	m, err := sub.NextMsg(20 * time.Second)
	if err != nil {
		return wire.Answer{}, err
	}
	return wire.DecodeAnswer(m.Data)
}

func TestHello(t *testing.T) {
	w := newWorld(t)
	now := events.Millis(1772500000000)
	g := w.gate(func(c *Config) { c.Now = func() events.Millis { return now } })
	w.run(g)
	d := w.device("tab-1")
	stranger := w.device("tab-2")
	d.writeOrdinary(6)
	other := events.HashRecord([]byte("another branch"))

	check := func(name string, a wire.Answer, status wire.Status, seq events.Seq) {
		t.Helper()
		if a.Status != status {
			t.Errorf("%s: %s: %s", name, a.Status, a.Reason)
			return
		}
		h, err := wire.DecodeHelloAnswer(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		if h.Seq != seq || h.Link != d.links[seq] || h.Now != now || !reflect.DeepEqual(h.Gates, w.trust.GateKeys()) {
			t.Errorf("%s: %+v", name, h)
		}
	}
	check("nothing, nothing", d.hello(0, d.links[0], nil), wire.OK, 0)
	check("6, nothing", d.hello(6, d.links[6], nil), wire.OK, 0)
	check("nothing, another key", d.hello(0, other, nil), wire.Fork, 0)
	d.sends(1, 4)
	check("4, 4", d.hello(4, d.links[4], nil), wire.OK, 4)
	check("6, 4", d.hello(6, d.links[6], nil), wire.OK, 4)
	check("3, 4", d.hello(3, d.links[3], nil), wire.Behind, 4)
	check("0, 4", d.hello(0, d.links[0], nil), wire.Behind, 4)
	check("4 of another branch", d.hello(4, other, nil), wire.Fork, 4)

	// What another gate has stored counts, whatever this one remembers.
	if a, err := w.gate(nil).Commit(t.Context(), d.id, d.known(), d.push(5, 6)); err != nil || a.Status != wire.OK {
		t.Fatal(a.Status, err)
	}
	check("5, 6 by another gate", d.hello(5, d.links[5], nil), wire.Behind, 6)
	check("6 by another gate", d.hello(6, d.links[6], nil), wire.OK, 6)

	before := w.state()
	refusals := map[string]func(*wire.HelloRequest, string){
		"a signature that was changed":  func(q *wire.HelloRequest, _ string) { q.Signature[3]++ },
		"another number":                func(q *wire.HelloRequest, _ string) { q.Seq++ },
		"another clock":                 func(q *wire.HelloRequest, _ string) { q.Clock++ },
		"signed by another device":      func(q *wire.HelloRequest, inbox string) { q.Sign(stranger.key, d.id, inbox) },
		"signed for another device":     func(q *wire.HelloRequest, inbox string) { q.Sign(d.key, stranger.id, inbox) },
		"signed for another inbox":      func(q *wire.HelloRequest, inbox string) { q.Sign(d.key, d.id, inbox+"1") },
		"replayed, to an inbox of mine": func(q *wire.HelloRequest, _ string) { q.Sign(d.key, d.id, "inbox.tab-1.earlier") },
	}
	for name, spoil := range refusals {
		if a := d.hello(6, d.links[6], spoil); a.Status != wire.Refused || !strings.Contains(a.Reason, "signature") || len(a.Body) > 0 {
			t.Errorf("%s: %s: %s", name, a.Status, a.Reason)
		}
	}
	if a := d.ask(wire.Hello, []byte("hello")); a.Status != wire.Refused {
		t.Errorf("no hello: %s", a.Status)
	}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
}

// Whoever is not enrolled, or not any more, is refused whatever it asks.
func TestUnknownAndRevoked(t *testing.T) {
	w := newWorld(t)
	g := w.gate(func(c *Config) {
		find := c.Find
		c.Find = func(id events.DeviceID) (Device, bool) {
			if id == "nobody" {
				return Device{}, false
			}
			return find(id)
		}
		c.Reader = reader{}
	})
	w.run(g)
	d, nobody := w.device("tab-1"), w.device("nobody")
	for _, d := range []*device{d, nobody} {
		d.writeOrdinary(2)
	}
	d.sends(1, 1)
	w.mu.Lock()
	w.revoked["tab-1"] = true
	w.mu.Unlock()
	before := w.state()
	for words, d := range map[string]*device{"is revoked": d, "is not enrolled": nobody} {
		for verb, data := range map[wire.Verb][]byte{
			wire.Push: d.push(events.Seq(1+len(w.stored(d.id))), 2).Encode(), wire.Pull: wire.PullRequest{}.Encode(), wire.Back: wire.BackRequest{Range: wire.Range{From: 1, To: 1}}.Encode(), "other": nil,
		} {
			if a := d.ask(verb, data); a.Status != wire.Refused || !strings.Contains(a.Reason, words) {
				t.Errorf("%s of %s: %s: %s", verb, d.id, a.Status, a.Reason)
			}
		}
		if a := d.hello(0, d.links[0], nil); a.Status != wire.Refused || !strings.Contains(a.Reason, words) {
			t.Errorf("hello of %s: %s: %s", d.id, a.Status, a.Reason)
		}
	}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
}

// A hello tells what to erase, by the device's own word of how far its records go. That this cannot be looked up does not
// keep a device from its work.
func TestHelloErased(t *testing.T) {
	w := newWorld(t)
	d := w.device("tab-1")
	d.writeOrdinary(3)
	var broken atomic.Bool
	w.run(w.gate(func(c *Config) {
		c.Reader = reader{erased: func(id events.DeviceID, upto events.Seq) ([]events.Digest, error) {
			if broken.Load() {
				return nil, errors.New("the read model is away")
			}
			return []events.Digest{events.Digest(events.HashRecord([]byte(id))), {byte(upto)}}, nil
		}}
	}))
	d.sends(1, 3)
	erased := func(seq events.Seq, status wire.Status) []events.Digest {
		t.Helper()
		a := d.hello(seq, d.links[seq], nil)
		h, err := wire.DecodeHelloAnswer(a.Body)
		if a.Status != status || err != nil {
			t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
		}
		return h.Erased
	}
	tab := events.Digest(events.HashRecord([]byte("tab-1")))
	if got := erased(3, wire.OK); !reflect.DeepEqual(got, []events.Digest{tab, {3}}) {
		t.Errorf("erased: %v", got)
	}
	if got := erased(1, wire.Behind); !reflect.DeepEqual(got, []events.Digest{tab, {1}}) {
		t.Errorf("of one that is behind: %v", got)
	}
	broken.Store(true)
	if got := erased(3, wire.OK); len(got) > 0 {
		t.Errorf("of nowhere: %v", got)
	}
}

func TestBackAndPull(t *testing.T) {
	w := newWorld(t)
	d := w.device("tab-1")
	d.writeOrdinary(3)
	var broken atomic.Bool
	answer := &wire.PullAnswer{
		Place: wire.Place{Seq: 9, Hash: d.links[1], Created: 7}, Copies: []wire.Copy{{Machine: "m-1", Seq: 5}}, More: true, Drop: []events.MachineID{"m-2"},
		Records: []wire.Pulled{{Record: d.chain[0], Received: 5, Commit: d.links[2]}},
	}
	request := wire.PullRequest{Place: wire.Place{Seq: 3, Hash: d.links[2], Created: 7}, Copies: []wire.Copy{{Machine: "m-1", Seq: 2}}}
	w.run(w.gate(func(c *Config) {
		c.Reader = reader{
			own: func(id events.DeviceID, r wire.Range) (wire.BackAnswer, error) {
				if broken.Load() {
					// Such an error comes from what is stored; it says nothing about the request.
					return wire.BackAnswer{}, errors.Join(wire.ErrMessage, errors.New("the read model is away"))
				}
				if id != d.id {
					t.Errorf("own records of %s", id)
				}
				return wire.BackAnswer{First: r.From, Records: d.chain[r.From-1 : min(int(r.To), len(d.chain))]}, nil
			},
			pull: func(id events.DeviceID, q wire.PullRequest) (*wire.PullAnswer, error) {
				if broken.Load() {
					return nil, errors.Join(wire.ErrMessage, errors.New("the read model is away"))
				}
				if id != d.id || !reflect.DeepEqual(q, request) {
					t.Errorf("a pull of %s: %+v", id, q)
				}
				a := *answer
				return &a, nil
			},
		}
	}))

	back := wire.BackRequest{Range: wire.Range{From: 2, To: 7}}
	a := d.ask(wire.Back, back.Encode())
	b, err := wire.DecodeBackAnswer(a.Body)
	if a.Status != wire.OK || err != nil || b.First != 2 || !reflect.DeepEqual(b.Records, d.chain[1:]) {
		t.Errorf("back: %s: %s, %v, %d records from %d on", a.Status, a.Reason, err, len(b.Records), b.First)
	}
	a = d.ask(wire.Pull, request.Encode())
	p, err := wire.DecodePullAnswer(a.Body)
	if err != nil || a.Status != wire.OK {
		t.Fatalf("pull: %s: %s, %v", a.Status, a.Reason, err)
	}
	want := *answer
	want.Gates = w.trust.GateKeys()
	if !reflect.DeepEqual(p, &want) {
		t.Errorf("pull: %+v, not %+v", p, want)
	}

	for name, bad := range map[string]struct {
		verb wire.Verb
		data []byte
	}{
		"a range from 0":        {wire.Back, wire.BackRequest{Range: wire.Range{From: 0, To: 7}}.Encode()},
		"a range backwards":     {wire.Back, wire.BackRequest{Range: wire.Range{From: 7, To: 2}}.Encode()},
		"no request for back":   {wire.Back, nil},
		"no request for a pull": {wire.Pull, []byte{0x90}},
		"another verb":          {"evidence", nil},
	} {
		if a := d.ask(bad.verb, bad.data); a.Status != wire.Refused || a.Reason == "" {
			t.Errorf("%s: %s: %s", name, a.Status, a.Reason)
		}
	}
	broken.Store(true)
	for verb, data := range map[wire.Verb][]byte{wire.Back: back.Encode(), wire.Pull: request.Encode()} {
		if a := d.ask(verb, data); a.Status != wire.Busy || a.Wait == 0 {
			t.Errorf("%s with the read model away: %s: %s", verb, a.Status, a.Reason)
		}
	}
}

// Requests at once beyond the most that a gate works on are told to wait, at once; one push a device at a time; and
// nobody waits for another one's slowness.
func TestAdmission(t *testing.T) {
	w := newWorld(t)
	g := w.gate(func(c *Config) {
		c.MostPushes, c.MostAsked = 2, 2
		c.Reader = reader{pull: func(events.DeviceID, wire.PullRequest) (*wire.PullAnswer, error) { return &wire.PullAnswer{}, nil }}
	})
	w.run(g)
	slow := []*device{w.device("slow-1"), w.device("slow-2")}
	quick := w.device("quick")
	quick.writeOrdinary(9)
	pull := wire.PullRequest{}.Encode()
	busy := func(d *device, verb wire.Verb, data []byte) {
		t.Helper()
		before, start := g.Counts().Busy, time.Now()
		a := d.ask(verb, data)
		if a.Status != wire.Busy || a.Wait < 100 || a.Wait > 2000 || a.Reason == "" {
			t.Errorf("%s of %s: %s, wait %d: %s", verb, d.id, a.Status, a.Wait, a.Reason)
		}
		if took := time.Since(start); took > 2*time.Second {
			t.Errorf("busy was said after %v", took)
		}
		if got := g.Counts().Busy; got != before+1 {
			t.Errorf("%d were counted as busy, then %d", before, got)
		}
	}
	answers := make(chan wire.Answer, 4)
	ask := func(d *device, verb wire.Verb, data []byte) {
		go func() {
			a, err := d.tryAsk(verb, data, time.Minute)
			if err != nil {
				t.Error(err)
			}
			answers <- a
		}()
	}
	release := []func(){w.hold("slow-1"), w.hold("slow-2")}
	for i, d := range slow {
		d.writeOrdinary(2)
		if i == 1 { // there is a place, but not for the same device
			busy(slow[0], wire.Push, slow[0].push(1, 2).Encode())
			quick.sends(1, 3) // one slow device does not hold up another
		}
		ask(d, wire.Push, d.push(1, 2).Encode())
		w.waiting(d.id, 1)
	}
	// Both places are taken now.
	busy(quick, wire.Push, quick.push(4, 5).Encode())
	busy(slow[0], wire.Push, slow[0].push(1, 2).Encode())
	// Other requests have places of their own.
	if a := quick.ask(wire.Pull, pull); a.Status != wire.OK {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	if a := quick.hello(9, quick.links[9], nil); a.Status != wire.OK {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	for _, d := range slow {
		ask(d, wire.Pull, pull)
		w.waiting(d.id, 2)
	}
	busy(quick, wire.Pull, pull)
	busy(quick, wire.Back, nil)
	if a := quick.hello(9, quick.links[9], nil); a.Status != wire.Busy {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	for _, r := range release {
		r()
	}
	for range 4 {
		if a := <-answers; a.Status != wire.OK {
			t.Errorf("%s: %s", a.Status, a.Reason)
		}
	}
	for _, d := range slow {
		d.checkStored(2)
	}
	// The places are free again.
	quick.sends(4, 9)
	quick.checkStored(9)
	if a := quick.ask(wire.Pull, pull); a.Status != wire.OK {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
}

// When a device has its answer, its next request is let in at once.
func TestPushAfterPush(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	w.run(g)
	d := w.device("tab-1")
	const pushes = 100
	d.writeOrdinary(pushes)
	for seq := events.Seq(1); seq <= pushes; seq++ {
		if a := d.ask(wire.Push, d.push(seq, seq).Encode()); a.Status != wire.OK {
			t.Fatalf("record %d: %s: %s", seq, a.Status, a.Reason)
		}
		g.pushes.mu.Lock()
		if len(g.pushes.in) > 0 {
			t.Error("its answer has come, and its place is still taken")
		}
		g.pushes.mu.Unlock()
	}
	d.checkStored(pushes)
	if n := g.Counts(); n != (Counts{}) {
		t.Errorf("%+v", n)
	}
}

// Run ends with its context, but not before what has begun is answered. What came before the end is answered too.
func TestRunEnds(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	d, late := w.device("tab-1"), w.device("tab-2")
	for _, d := range []*device{d, late} {
		d.writeOrdinary(2)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	eventually(t, func() bool { return g.cfg.Devices.NumSubscriptions() > 0 })
	if err := g.cfg.Devices.Flush(); err != nil {
		t.Fatal(err)
	}
	release := w.hold("tab-1")
	answer := make(chan wire.Answer, 1)
	go func() {
		a, err := d.tryAsk(wire.Push, d.push(1, 2).Encode(), time.Minute)
		if err != nil {
			t.Error(err)
		}
		answer <- a
	}()
	w.waiting("tab-1", 1)
	cancel()
	eventually(t, func() bool { return g.cfg.Devices.NumSubscriptions() == 0 })
	select {
	case err := <-ended:
		t.Fatalf("it ended while a push was under way (%v)", err)
	case <-time.After(50 * time.Millisecond):
	}
	if a, err := late.tryAsk(wire.Push, late.push(1, 2).Encode(), 50*time.Millisecond); err == nil {
		t.Errorf("after the end: %s", a.Status)
	}
	release()
	if err := <-ended; err != nil {
		t.Errorf("it ended with %v", err)
	}
	if a := <-answer; a.Status != wire.OK {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	d.checkStored(2)
}

// Without its connection to the devices a gate is of no use, and says so.
func TestRunWithoutConnection(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	ended := make(chan error, 1)
	go func() { ended <- g.Run(t.Context()) }()
	eventually(t, func() bool { return g.cfg.Devices.NumSubscriptions() > 0 })
	g.cfg.Devices.Close()
	if err := <-ended; !errors.Is(err, nats.ErrConnectionClosed) {
		t.Errorf("it ended with %v", err)
	}
	if err := g.Run(t.Context()); !errors.Is(err, nats.ErrConnectionClosed) {
		t.Errorf("it ended with %v", err)
	}
}
