package broker_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/trust"
)

// Everything that somebody in the accounts of the streams could do, and who of the roles there may.
func TestRolesAtStreams(t *testing.T) {
	all := map[trust.Role][]string{
		trust.GateCentre: {"push.x", "aside.x", "STREAM.INFO.RECORDS", "STREAM.INFO.ASIDE", "STREAM.MSG.GET.RECORDS", "STREAM.MSG.GET.ASIDE"},
		trust.Manager: {
			"STREAM.CREATE.RECORDS", "STREAM.CREATE.LOG", "STREAM.CREATE.ASIDE", "STREAM.INFO.RECORDS", "STREAM.INFO.LOG", "STREAM.INFO.ASIDE",
		},
		trust.Reader: {
			"STREAM.INFO.RECORDS", "STREAM.MSG.GET.RECORDS", "CONSUMER.CREATE.RECORDS.c", "CONSUMER.CREATE.RECORDS.c.push.x",
			"CONSUMER.INFO.RECORDS.c", "CONSUMER.MSG.NEXT.RECORDS.c", "CONSUMER.DELETE.RECORDS.c",
		},
		trust.Logger: {
			"log",
			"STREAM.INFO.RECORDS", "STREAM.MSG.GET.RECORDS", "CONSUMER.CREATE.RECORDS.c", "CONSUMER.CREATE.RECORDS.c.push.x",
			"CONSUMER.INFO.RECORDS.c", "CONSUMER.MSG.NEXT.RECORDS.c", "CONSUMER.DELETE.RECORDS.c",
			"STREAM.INFO.LOG", "STREAM.MSG.GET.LOG", "CONSUMER.CREATE.LOG.c", "CONSUMER.CREATE.LOG.c.push.x",
			"CONSUMER.INFO.LOG.c", "CONSUMER.MSG.NEXT.LOG.c", "CONSUMER.DELETE.LOG.c",
		},
		trust.FeedManager: {
			"STREAM.CREATE.FEED", "STREAM.INFO.FEED",
			"CONSUMER.CREATE.FEED.c", "CONSUMER.CREATE.FEED.c.push.x", "CONSUMER.INFO.FEED.c", "CONSUMER.DELETE.FEED.c",
		},
		trust.FeedWriter: {"feed.a.b.c.d"},
	}
	subjects := []string{
		"push.x", "push.x.y", "aside.x", "log", "feed.a.b.c.d", "feed.a.b.c", "feed.a.b.c.d.e", "up.tab-1.push", "inbox.tab-1.x", "_in.gate.x", "_in.reader.x", "_in.manager.x", "_in.logger.x", "_INBOX.x",
		"$JS.ACK.RECORDS.c.1.1.1.1.0", "$JS.API.INFO", "$JS.API.STREAM.NAMES", "$JS.API.STREAM.LIST", "$JS.API.DIRECT.GET.RECORDS",
		"$SYS.REQ.SERVER.PING", "$SYS.REQ.USER.INFO",
	}
	for _, name := range []string{wire.Records.Name, wire.Log.Name, wire.Aside.Name, wire.Feed.Name, "OTHER"} {
		for _, verb := range []string{"CREATE", "UPDATE", "INFO", "DELETE", "PURGE", "SNAPSHOT", "RESTORE", "MSG.GET", "MSG.DELETE", "LEADER.STEPDOWN", "PEER.REMOVE"} {
			subjects = append(subjects, "$JS.API.STREAM."+verb+"."+name)
		}
		for _, verb := range []string{"CREATE", "INFO", "MSG.NEXT", "DELETE", "PAUSE", "DURABLE.CREATE"} {
			subjects = append(subjects, "$JS.API.CONSUMER."+verb+"."+name+".c", "$JS.API.CONSUMER."+verb+"."+name+".c.push.x")
		}
	}
	for role, may := range all {
		t.Run(string(role), func(t *testing.T) {
			c := newCentre(t)
			before := c.state()
			nc, refused := c.connect(role)
			for _, s := range subjects {
				if slices.Contains(may, strings.TrimPrefix(s, "$JS.API.")) {
					continue
				}
				if err := nc.Publish(s, nil); err != nil {
					t.Fatal(err)
				}
				flush(t, nc)
				wantRefused(t, refused, s)
			}
			for _, s := range []string{">", "push.>", "log", "aside.>", "up.>", "inbox.>", "_in.>", "_in.*.>", "_INBOX.>", "$JS.>", "$SYS.>"} {
				if _, err := nc.SubscribeSync(s); err != nil {
					t.Fatal(err)
				}
				flush(t, nc)
				wantRefused(t, refused, s)
			}
			if after := c.state(); after != before {
				t.Errorf("the streams changed:\n%s\n%s", before, after)
			}
			for _, s := range may {
				if strings.HasPrefix(s, "STREAM.") || strings.HasPrefix(s, "CONSUMER.") {
					s = "$JS.API." + s
				}
				if err := nc.Publish(s, nil); err != nil {
					t.Fatal(err)
				}
			}
			flush(t, nc)
			time.Sleep(10 * time.Millisecond)
			if len(refused) > 0 {
				t.Errorf("what it may is refused: %v", <-refused)
			}
		})
	}
}

func TestGateInDevices(t *testing.T) {
	c := newCentre(t)
	nc, refused := c.connect(trust.GateDevices)
	for _, s := range []string{"push.x", "up.tab-1.push", "inbox.tab-1", "inbox", "$JS.API.INFO", "$SYS.REQ.USER.INFO", "_in.gate.x"} {
		if err := nc.Publish(s, nil); err != nil {
			t.Fatal(err)
		}
		flush(t, nc)
		wantRefused(t, refused, s)
	}
	for _, s := range []string{">", "inbox.>", "inbox.*.>", "up.>", "$SYS.>", "_INBOX.>"} {
		if _, err := nc.SubscribeSync(s); err != nil {
			t.Fatal(err)
		}
		flush(t, nc)
		wantRefused(t, refused, s)
	}
}

// The centre's own credentials are of no use outside of its process, not even on this machine.
func TestRolesStayInside(t *testing.T) {
	c := newCentre(t)
	for _, role := range trust.Roles() {
		user, _, err := c.trust.UserOption(role)
		if err != nil {
			t.Fatal(err)
		}
		if nc, err := nats.Connect(c.broker.ClientURL(), user); err == nil {
			nc.Close()
			t.Errorf("%s was let in over TCP", role)
		}
	}
	if _, _, err := c.trust.UserOption("nobody"); err == nil {
		t.Error("an unknown role has a credential")
	}
}

// What a commit needs: one message, only if the subject's last is the expected one, and to read that last one back.
func TestGateCommits(t *testing.T) {
	c := newCentre(t)
	nc, _ := c.connect(trust.GateCentre)
	expect := func(last string, data []byte, headers ...string) (uint64, error) {
		m := nats.NewMsg(wire.PushSubject("tab-1"))
		m.Header.Set("Nats-Expected-Last-Subject-Sequence", last)
		for i := 0; i+1 < len(headers); i += 2 {
			m.Header.Set(headers[i], headers[i+1])
		}
		m.Data = data
		return publishMsg(nc, m)
	}
	if seq, err := expect("0", []byte("one")); err != nil || seq != 1 {
		t.Fatalf("first: %d, %v", seq, err)
	}
	before := c.state()
	if _, err := expect("0", []byte("again")); err == nil {
		t.Error("a repeated commit was taken")
	}
	if _, err := expect("1", make([]byte, wire.MaxMessage+1)); err == nil {
		t.Error("a message beyond the limit was taken")
	}
	for header, value := range map[string]string{"Nats-Rollup": "sub", "Nats-TTL": "1s", "Nats-Incr": "+1", "Nats-Schedule": "@at 2030-01-01T00:00:00Z"} {
		if _, err := expect("1", []byte("two"), header, value); err == nil {
			t.Errorf("a message with %s was taken", header)
		}
	}
	if after := c.state(); after != before {
		t.Errorf("the streams changed:\n%s\n%s", before, after)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(soon(t), wire.Records.Name)
	if err != nil {
		t.Fatal(err)
	}
	if m, err := s.GetLastMsgForSubject(soon(t), wire.PushSubject("tab-1")); err != nil || string(m.Data) != "one" || m.Sequence != 1 {
		t.Errorf("the subject's last message: %v, %v", m, err)
	}
	if seq, err := expect("1", make([]byte, wire.MaxMessage-256)); err != nil || seq != 2 {
		t.Errorf("a large message: %d, %v", seq, err)
	}
}

// Within the centre's account nobody can make a stream forget, whatever the credential.
func TestRecordsForgetNothing(t *testing.T) {
	c := newCentre(t)
	c.store("tab-1", "one")
	before := c.state()
	spy := c.spy("centre")
	for subject, body := range map[string]string{
		"$JS.API.STREAM.PURGE.RECORDS":      "",
		"$JS.API.STREAM.MSG.DELETE.RECORDS": `{"seq":1}`,
	} {
		m, err := spy.Request(subject, []byte(body), patience)
		if err != nil {
			t.Fatal(err)
		}
		var answer struct{ Error *struct{ Description string } }
		if err := json.Unmarshal(m.Data, &answer); err != nil || answer.Error == nil {
			t.Errorf("%s: %s", subject, m.Data)
		}
	}
	if after := c.state(); after != before {
		t.Errorf("the streams changed:\n%s\n%s", before, after)
	}
}

func TestReaderReads(t *testing.T) {
	c := newCentre(t)
	want := []string{"one", "two", "three"}
	for _, s := range want {
		c.store("tab-1", s)
	}
	nc, refused := c.connect(trust.Reader)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(soon(t), wire.Records.Name)
	if err != nil {
		t.Fatal(err)
	}
	if m, err := s.GetMsg(soon(t), 2); err != nil || string(m.Data) != "two" {
		t.Errorf("by sequence: %v, %v", m, err)
	}
	ordered, err := s.OrderedConsumer(soon(t), jetstream.OrderedConsumerConfig{OptStartSeq: 1, DeliverPolicy: jetstream.DeliverByStartSequencePolicy})
	if err != nil {
		t.Fatal(err)
	}
	filtered, err := s.CreateConsumer(soon(t), jetstream.ConsumerConfig{FilterSubject: "push.tab-1", AckPolicy: jetstream.AckNonePolicy, InactiveThreshold: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	for name, read := range map[string]jetstream.Consumer{"ordered": ordered, "filtered": filtered} {
		batch, err := read.Fetch(len(want), jetstream.FetchMaxWait(patience))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var got []string
		for m := range batch.Messages() {
			got = append(got, string(m.Data()))
		}
		if !slices.Equal(got, want) || batch.Error() != nil {
			t.Errorf("%s: got %q (%v), want %q", name, got, batch.Error(), want)
		}
	}
	if err := s.DeleteConsumer(soon(t), filtered.CachedInfo().Name); err != nil {
		t.Error(err)
	}
	later, err := s.OrderedConsumer(soon(t), jetstream.OrderedConsumerConfig{OptStartSeq: 4, DeliverPolicy: jetstream.DeliverByStartSequencePolicy})
	if err != nil {
		t.Fatal(err)
	}
	messages, err := later.Messages()
	if err != nil {
		t.Fatal(err)
	}
	defer messages.Stop()
	c.store("tab-1", "four")
	if m, err := messages.Next(jetstream.NextMaxWait(patience)); err != nil || string(m.Data()) != "four" {
		t.Errorf("what comes later: %v, %v", m, err)
	}
	if len(refused) > 0 {
		t.Errorf("refused: %v", <-refused)
	}
}
