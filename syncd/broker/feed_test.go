package broker_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
)

// integrator is somebody who was granted a part of the feed, with the credentials as they were given out.
type integrator struct {
	trust.Grant
	token, seed string
}

func (c *centre) grant(name, filter string, life time.Duration) integrator {
	c.t.Helper()
	g, file, err := c.trust.NewGrant(trust.GrantRequest{Name: name, Filter: filter, Life: life}, func(g trust.Grant) error {
		return c.broker.Admit(soon(c.t), g)
	})
	if err != nil {
		c.t.Fatal(err)
	}
	token, err := nkeys.ParseDecoratedJWT(file)
	if err != nil {
		c.t.Fatal(err)
	}
	key, err := nkeys.ParseDecoratedUserNKey(file)
	if err != nil {
		c.t.Fatal(err)
	}
	seed, err := key.Seed()
	if err != nil {
		c.t.Fatal(err)
	}
	return integrator{g, token, string(seed)}
}

// visit connects as an integrator, over the network.
func (c *centre) visit(i integrator, opts ...nats.Option) (nc *nats.Conn, refused chan error) {
	c.t.Helper()
	refused = make(chan error, 100)
	nc, err := c.knock(i, append([]nats.Option{collect(refused)}, opts...)...)
	if err != nil {
		c.t.Fatal(err)
	}
	return nc, refused
}

func (c *centre) knock(i integrator, opts ...nats.Option) (*nats.Conn, error) {
	nc, err := nats.Connect(c.broker.ClientURL(), append([]nats.Option{nats.UserJWTAndSeed(i.token, i.seed), nats.ReconnectBufSize(-1)}, opts...)...)
	if err == nil {
		c.t.Cleanup(nc.Close)
	}
	return nc, err
}

// feed puts an event into FEED, as its writer does.
func (c *centre) feed(subjects ...string) {
	c.t.Helper()
	nc, _ := c.connect(trust.FeedWriter)
	defer nc.Close()
	for _, s := range subjects {
		if _, err := publish(nc, s, []byte("about "+s)); err != nil {
			c.t.Fatalf("%s: %v", s, err)
		}
	}
}

// read fetches and acknowledges n events.
func read(t *testing.T, nc *nats.Conn, name string, n int) []string {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	consumer, err := js.Consumer(soon(t), wire.Feed.Name, name)
	if err != nil {
		t.Fatal(err)
	}
	batch, err := consumer.Fetch(n, jetstream.FetchMaxWait(patience))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for m := range batch.Messages() {
		got = append(got, string(m.Data()))
		if err := m.DoubleAck(soon(t)); err != nil {
			t.Fatal(err)
		}
	}
	if err := batch.Error(); err != nil {
		t.Fatal(err)
	}
	return got
}

// feedState is all that FEED and its consumers are, seen from within.
func (c *centre) feedState() string {
	c.t.Helper()
	nc := c.spy("feed")
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		c.t.Fatal(err)
	}
	var all []any
	streams := js.ListStreams(soon(c.t))
	for s := range streams.Info() {
		s.State.Consumers = 0
		all = append(all, s.State, s.Created, s.Config)
		stream, err := js.Stream(soon(c.t), s.Config.Name)
		if err != nil {
			c.t.Fatal(err)
		}
		consumers := stream.ListConsumers(soon(c.t))
		var text []string
		for i := range consumers.Info() {
			text = append(text, fmt.Sprintf("%s %+v delivered %d acknowledged %d", i.Name, i.Config, i.Delivered.Stream, i.AckFloor.Stream))
		}
		if err := consumers.Err(); err != nil {
			c.t.Fatal(err)
		}
		slices.Sort(text)
		all = append(all, text)
	}
	if err := streams.Err(); err != nil {
		c.t.Fatal(err)
	}
	b, err := json.Marshal(all)
	if err != nil {
		c.t.Fatal(err)
	}
	return string(b)
}

func TestGrantReads(t *testing.T) {
	c := newCentre(t)
	c.feed("feed.north-yard.gs-1.reading.taken", "feed.south.gs-9.reading.taken", "feed.north-yard.gs-2.bath.renewed")
	one := c.grant("billing", "feed.north-yard.>", time.Hour)
	all := c.grant("stock", "feed.>", time.Hour)
	nc, refused := c.visit(one)
	if got, want := read(t, nc, "billing", 2), []string{"about feed.north-yard.gs-1.reading.taken", "about feed.north-yard.gs-2.bath.renewed"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	other, _ := c.visit(all)
	if got := read(t, other, "stock", 3); len(got) != 3 {
		t.Errorf("of the whole feed: %q", got)
	}
	c.feed("feed.south.gs-9.bath.renewed", "feed.north-yard._.site.entered")
	if got, want := read(t, nc, "billing", 1), []string{"about feed.north-yard._.site.entered"}; !slices.Equal(got, want) {
		t.Errorf("later: got %q, want %q", got, want)
	}
	if len(refused) > 0 {
		t.Errorf("refused: %v", <-refused)
	}

	// The place in the feed outlasts the centre, and so does the credential.
	c.feed("feed.north-yard.gs-1.fault.seen")
	c.stop()
	again := startCentre(t, c.dir)
	back, _ := again.visit(one)
	if got, want := read(t, back, "billing", 1), []string{"about feed.north-yard.gs-1.fault.seen"}; !slices.Equal(got, want) {
		t.Errorf("after a restart: got %q, want %q", got, want)
	}
}

// What an integrator would like to say, and where they would like an answer to come.
func beyondGrant() []string {
	list := []string{
		"feed.north-yard.gs-1.reading.taken", "feed.a.b.c.d", "push.tab-1", "aside.tab-1", "log", "up.tab-1.push", "inbox.tab-1.x",
		"_in.gate.x", "_in.feed-manager.x", "_in.feed-writer.x", "_R_.abc", "_INBOX.x", "$JS.API.INFO", "$JS.API.STREAM.NAMES", "$JS.API.STREAM.LIST",
		"$SYS.REQ.SERVER.PING", "$SYS.REQ.USER.INFO", "$SYS.REQ.CLAIMS.UPDATE", "$SYS.REQ.ACCOUNT.PING.CONNZ",
		"$JS.FC.FEED.stock.x", "$JS.ACK.FEED.stock.1.1.1.1.0", "$JS.ACK.FEED.>", "$JS.ACK.RECORDS.c.1.1.1.1.0",
		"$JS.API.CONSUMER.INFO.FEED.stock", "$JS.API.CONSUMER.MSG.NEXT.FEED.stock", "$JS.API.CONSUMER.NAMES.FEED", "$JS.API.CONSUMER.LIST.FEED",
		"$JS.API.CONSUMER.INFO.RECORDS.billing", "$JS.API.CONSUMER.MSG.NEXT.RECORDS.billing", "$JS.API.DIRECT.GET.FEED", "$JS.API.DIRECT.GET.FEED.feed.a.b.c.d",
		"$JS.other.API.CONSUMER.MSG.NEXT.FEED.billing", "$KV.x.y", "$OBJ.x.y",
	}
	for _, stream := range []string{"FEED", "RECORDS", "MINE"} {
		for _, verb := range []string{"CREATE", "UPDATE", "INFO", "DELETE", "PURGE", "SNAPSHOT", "RESTORE", "MSG.GET", "MSG.DELETE", "LEADER.STEPDOWN", "PEER.REMOVE"} {
			list = append(list, "$JS.API.STREAM."+verb+"."+stream)
		}
		for _, verb := range []string{"CREATE", "DURABLE.CREATE", "DELETE", "PAUSE", "RESET", "UNPIN", "LEADER.STEPDOWN"} {
			for _, name := range []string{"billing", "stock", "mine"} {
				list = append(list, "$JS.API.CONSUMER."+verb+"."+stream+"."+name, "$JS.API.CONSUMER."+verb+"."+stream+"."+name+".feed.>")
			}
		}
	}
	return list
}

// besieged is a centre with two integrators and a device; whoever hears what they should not is found by check.
type besieged struct {
	*centre
	one     *nats.Conn
	refused chan error
	heard   []*nats.Subscription
	records string
	feed    string
}

func besiege(t *testing.T) *besieged {
	w := &besieged{centre: newCentre(t)}
	w.store("tab-1", "a stored message")
	w.centre.feed("feed.north-yard.gs-1.reading.taken", "feed.south.gs-9.reading.taken")
	one, two := w.grant("billing", "feed.north-yard.>", time.Hour), w.grant("stock", "feed.south.>", time.Hour)
	w.one, w.refused = w.visit(one)
	other, _ := w.visit(two)
	device, _ := w.device(w.enrol("tab-1"))
	for nc, subjects := range map[*nats.Conn][]string{
		other: {"_INBOX.>"}, device: {"inbox.tab-1.>"},
		w.spy("feed"):    {"feed.>", "_in.*.x", "push.>", "_INBOX.x", "inbox.>", "up.>", "$SYS.>"},
		w.spy("centre"):  {"push.>", "aside.>", "log", "_in.*.x", "feed.>", "_INBOX.>"},
		w.spy("devices"): {"up.>", "inbox.>", "push.>", "_INBOX.>", "feed.>"},
	} {
		for _, s := range subjects {
			sub, err := nc.SubscribeSync(s)
			if err != nil {
				t.Fatal(err)
			}
			flush(t, nc)
			w.heard = append(w.heard, sub)
		}
	}
	w.feed, w.records = w.feedState(), w.state()
	return w
}

func (w *besieged) check() {
	w.t.Helper()
	flush(w.t, w.one)
	for _, s := range w.heard {
		wantSilence(w.t, s)
	}
	if after := w.feedState(); after != w.feed {
		w.t.Errorf("FEED changed:\n%s\n%s", w.feed, after)
	}
	if after := w.state(); after != w.records {
		w.t.Errorf("the streams changed:\n%s\n%s", w.records, after)
	}
}

func TestIntegratorCannotPublishElsewhere(t *testing.T) {
	w := besiege(t)
	bodies := []string{
		"", `{"stream_name":"FEED","config":{"durable_name":"billing","name":"billing","filter_subject":"feed.>","ack_policy":"explicit","deliver_policy":"all"}}`,
		`{"stream_name":"FEED","config":{"name":"mine","deliver_subject":"$JS.API.STREAM.PURGE.FEED","filter_subject":"feed.>","ack_policy":"none","deliver_policy":"all"}}`,
		`{"name":"MINE","subjects":["mine.>"],"sources":[{"name":"FEED"}]}`, `{"name":"MINE","mirror":{"name":"FEED"}}`, `{"seq":1}`,
	}
	for _, subject := range beyondGrant() {
		for _, body := range bodies {
			if err := w.one.PublishRequest(subject, "_INBOX.mine", []byte(body)); err != nil {
				t.Fatal(err)
			}
			flush(t, w.one)
			wantRefused(t, w.refused, subject)
		}
	}
	w.check()
}

func TestIntegratorCannotListenElsewhere(t *testing.T) {
	w := besiege(t)
	for _, subject := range []string{
		">", "*", "*.>", "feed.>", "feed.north-yard.>", "push.>", "log", "up.>", "inbox.>", "$JS.>", "$JS.API.>", "$JS.ACK.>", "$JS.EVENT.>", "$SYS.>", "_R_.>", "_in.>", "_GR_.>",
	} {
		for _, queue := range []string{"", "q"} {
			if _, err := w.one.QueueSubscribeSync(subject, queue); err != nil {
				t.Fatal(err)
			}
			flush(t, w.one)
			wantRefused(t, w.refused, subject)
		}
	}
	w.check()
}

// The server publishes where a request asks for its answer, without looking whether the asker may publish there. It
// does so in the asker's account, and an integrator is alone in theirs.
func TestIntegratorReplySubjects(t *testing.T) {
	w := besiege(t)
	may := map[string][]string{
		"$JS.API.CONSUMER.INFO.FEED.billing":     {""},
		"$JS.API.CONSUMER.MSG.NEXT.FEED.billing": {`{"batch":1,"no_wait":true}`, `{"batch":99999}`, "nonsense"},
		"$JS.ACK.FEED.billing.1.99.99.1.0":       {"", "+NXT", "+NXT {\"batch\":1,\"no_wait\":true}", "+TERM"},
	}
	replies := append(beyondGrant(), "inbox.tab-1.y", "_INBOX.of-another")
	for subject, bodies := range may {
		for _, body := range bodies {
			for _, reply := range replies {
				if err := w.one.PublishRequest(subject, reply, []byte(body)); err != nil {
					t.Fatal(err)
				}
				flush(t, w.one)
				if strings.HasPrefix(reply, "$JS.ACK.") || strings.HasPrefix(reply, "_R_.") { // the reply subjects that the server does look at
					wantRefused(t, w.refused, reply)
				}
			}
		}
	}
	if len(w.refused) > 0 {
		t.Errorf("also refused: %v", <-w.refused)
	}
	// An event may have been handed out into nothing; it comes again, and is nobody else's.
	for _, s := range w.heard {
		wantSilence(t, s)
	}
	if after := w.state(); after != w.records {
		t.Errorf("the streams changed:\n%s\n%s", w.records, after)
	}
	if strings.Contains(w.feedState(), `"messages":2`) != strings.Contains(w.feed, `"messages":2`) {
		t.Errorf("FEED changed:\n%s\n%s", w.feed, w.feedState())
	}
	spy := w.spy("feed")
	js, err := jetstream.New(spy)
	if err != nil {
		t.Fatal(err)
	}
	other, err := js.Consumer(soon(t), wire.Feed.Name, "stock")
	if err != nil || other.CachedInfo().Delivered.Consumer != 0 {
		t.Errorf("the other's consumer: %+v, %v", other.CachedInfo(), err)
	}
}

// Headers by which the server takes somebody for another, or publishes by itself.
func TestIntegratorHeaders(t *testing.T) {
	w := besiege(t)
	for header, values := range map[string][]string{
		"Nats-Request-Info": {
			fmt.Sprintf(`{"acc":%q}`, w.trust.CentreAccount()), fmt.Sprintf(`{"acc":%q,"svc":%q}`, w.trust.FeedAccount(), w.trust.CentreAccount()),
			`{"reply":"feed.a.b.c.d"}`,
		},
		"Nats-Pending-Size": {"1"}, "Nats-Rollup": {"all"},
	} {
		for _, v := range values {
			m := nats.NewMsg("$JS.API.CONSUMER.INFO.FEED.billing")
			m.Header.Set(header, v)
			answer, err := w.one.RequestMsg(m, patience)
			if err == nil && !strings.Contains(string(answer.Data), `"name":"billing"`) && !strings.Contains(string(answer.Data), `"error"`) {
				t.Errorf("%s: %s was answered %s", header, v, answer.Data)
			}
		}
	}
	for _, dest := range beyondGrant() {
		if strings.Contains(dest, ">") {
			continue
		}
		m := nats.NewMsg("$JS.API.CONSUMER.INFO.FEED.billing")
		m.Header.Set("Nats-Trace-Dest", dest)
		m.Header.Set("Nats-Trace-Only", "true")
		if err := w.one.PublishMsg(m); err != nil {
			t.Fatal(err)
		}
		flush(t, w.one)
		wantRefused(t, w.refused, dest)
	}
	w.check()
}

func TestIntegratorLimits(t *testing.T) {
	c := newCentre(t)
	one, two := c.grant("billing", "feed.north-yard.>", time.Hour), c.grant("stock", "feed.south.>", time.Hour)
	var conns []*nats.Conn
	for range trust.GrantConns {
		nc, _ := c.visit(one)
		conns = append(conns, nc)
	}
	if _, err := c.knock(one); !errors.Is(err, nats.ErrMaxAccountConnectionsExceeded) && (err == nil || !strings.Contains(err.Error(), "maximum")) {
		t.Errorf("one connection too many: %v", err)
	}
	c.visit(two)
	c.device(c.enrol("tab-1"))

	cut := make(chan error, 1)
	greedy := conns[0]
	greedy.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		select {
		case cut <- err:
		default:
		}
	})
	for range trust.GrantSubs + 1 {
		if _, err := greedy.SubscribeSync(nats.NewInbox()); err != nil {
			break
		}
	}
	select {
	case err := <-cut:
		if !strings.Contains(err.Error(), "maximum subscriptions exceeded") {
			t.Errorf("one subscription too many: %v", err)
		}
	case <-time.After(patience):
		t.Error("one subscription too many is taken")
	}
	if err := conns[1].Publish("$JS.API.CONSUMER.INFO.FEED.billing", make([]byte, trust.GrantPayload+1)); err == nil {
		t.Error("the client was not told the limit of a message")
	}
	said := c.rude(credential{token: one.token, seed: one.seed}, "")
	if !strings.Contains(said, "maximum") {
		t.Errorf("a ninth connection is told %q", said)
	}
	conns[2].Close()
	for name, body := range map[string]string{
		"messages": fmt.Sprintf(`{"batch":%d}`, broker.PullMessages+1), "time": fmt.Sprintf(`{"batch":1,"expires":%d}`, broker.PullExpires+time.Second),
		"bytes": fmt.Sprintf(`{"batch":1,"max_bytes":%d}`, broker.PullBytes+1),
	} {
		m, err := conns[3].Request("$JS.API.CONSUMER.MSG.NEXT.FEED.billing", []byte(body), patience)
		if err != nil || m.Header.Get("Status") != "409" {
			t.Errorf("a pull beyond the limit of %s: %v, %v", name, m, err)
		}
	}
}

func TestGrantEnds(t *testing.T) {
	c := newCentre(t)
	c.feed("feed.north-yard.gs-1.reading.taken")
	closed := make(chan string, 10)
	tell := func(name string) nats.Option {
		return nats.ClosedHandler(func(*nats.Conn) { closed <- name })
	}
	one, two := c.grant("billing", "feed.>", time.Hour), c.grant("stock", "feed.>", time.Hour)
	lost, _ := c.visit(one, tell("billing"), nats.ReconnectWait(10*time.Millisecond))
	stays, _ := c.visit(two)
	flush(t, lost)
	g, claims, err := c.trust.RevokeGrant("billing")
	if err != nil {
		t.Fatal(err)
	}
	if err := c.broker.EndGrant(soon(t), g.Name, claims); err != nil {
		t.Fatal(err)
	}
	select {
	case <-closed:
	case <-time.After(patience):
		t.Fatalf("still connected: %v", lost.Status())
	}
	refusedNow := func(when string, c *centre) {
		t.Helper()
		if _, err := c.knock(one); !revoked(err) {
			t.Errorf("%s: %v", when, err)
		}
		if strings.Contains(c.feedState(), "billing") {
			t.Errorf("%s: the consumer is still there", when)
		}
	}
	refusedNow("connecting again", c)
	if got := read(t, stays, "stock", 1); len(got) != 1 || stays.Stats().Reconnects > 0 {
		t.Errorf("the other one: %q, %d times cut", got, stays.Stats().Reconnects)
	}
	c.stop()
	again := startCentre(t, c.dir)
	refusedNow("after a restart", again)
	again.visit(two)
	if _, _, err := again.trust.RevokeGrant("nobody"); !errors.Is(err, trust.ErrGrant) {
		t.Errorf("an unknown grant: %v", err)
	}
}

func TestGrantExpires(t *testing.T) {
	c := newCentre(t)
	closed := make(chan struct{})
	one := c.grant("billing", "feed.>", time.Second)
	c.visit(one, nats.ClosedHandler(func(*nats.Conn) { close(closed) }), nats.ReconnectWait(10*time.Millisecond))
	select {
	case <-closed:
	case <-time.After(2 * patience):
		t.Fatal("an expired credential is still connected")
	}
	// The end is told in whole seconds: within the last one the server lets them in and cuts them at once.
	deadline := time.Now().Add(patience)
	for {
		nc, err := c.knock(one, nats.NoReconnect())
		if revoked(err) {
			break
		}
		if err == nil {
			nc.Close()
		}
		if time.Now().After(deadline) {
			t.Fatalf("connecting with an expired credential: %v", err)
		}
	}
	c.stop()
	again := startCentre(t, c.dir)
	if s := again.feedState(); strings.Contains(s, "billing") {
		t.Errorf("an expired grant's consumer is still there: %s", s)
	}
}

// A consumer of nobody, or a grant without one, is what a crash leaves behind.
func TestGrantsAfterCrash(t *testing.T) {
	c := newCentre(t)
	c.feed("feed.north-yard.gs-1.reading.taken")
	one := c.grant("billing", "feed.north-yard.>", time.Hour)
	crash := errors.New("crash")
	if _, _, err := c.trust.NewGrant(trust.GrantRequest{Name: "stock", Filter: "feed.>", Life: time.Hour}, func(g trust.Grant) error {
		return errors.Join(c.broker.Admit(soon(t), g), crash)
	}); !errors.Is(err, crash) {
		t.Fatal(err)
	}
	js, err := jetstream.New(c.spy("feed"))
	if err != nil {
		t.Fatal(err)
	}
	if err := js.DeleteConsumer(soon(t), wire.Feed.Name, "billing"); err != nil {
		t.Fatal(err)
	}
	c.stop()
	again := startCentre(t, c.dir)
	nc, _ := again.visit(one)
	if got := read(t, nc, "billing", 1); len(got) != 1 {
		t.Errorf("got %q", got)
	}
	if s := again.feedState(); strings.Contains(s, "stock") {
		t.Errorf("the consumer of nobody is still there: %s", s)
	}
	again.grant("stock", "feed.>", time.Hour)
}

// The feed can be made anew, but no single event can be taken out of it.
func TestFeedLosesNoEvent(t *testing.T) {
	c := newCentre(t)
	c.feed("feed.north-yard.gs-1.reading.taken")
	before := c.feedState()
	m, err := c.spy("feed").Request("$JS.API.STREAM.MSG.DELETE.FEED", []byte(`{"seq":1}`), patience)
	if err != nil || !strings.Contains(string(m.Data), `"error"`) {
		t.Errorf("an event was taken out: %v, %v", m, err)
	}
	if after := c.feedState(); after != before {
		t.Errorf("FEED changed:\n%s\n%s", before, after)
	}
}

// One who asks without end is answered, or is not; the others read on.
func TestIntegratorFlood(t *testing.T) {
	c := newCentre(t)
	one, two := c.grant("billing", "feed.>", time.Hour), c.grant("stock", "feed.>", time.Hour)
	flooding, _ := c.visit(one)
	reading, _ := c.visit(two)
	for i := range 20 {
		for n := range 1000 {
			subject := grantedTo("billing")[n%3]
			if err := flooding.PublishRequest(subject, fmt.Sprintf("_INBOX.x.%d", n), []byte(`{"batch":1,"expires":30000000000}`)); err != nil {
				t.Fatal(err)
			}
		}
		c.feed(fmt.Sprintf("feed.north-yard.gs-%d.reading.taken", i))
		if got := read(t, reading, "stock", 1); len(got) != 1 {
			t.Fatalf("event %d: got %q", i, got)
		}
	}
}

func grantedTo(name string) []string {
	return []string{"$JS.API.CONSUMER.INFO.FEED." + name, "$JS.API.CONSUMER.MSG.NEXT.FEED." + name, "$JS.ACK.FEED." + name + ".1.1.1.1.0"}
}
