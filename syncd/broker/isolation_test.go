package broker_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust"
)

// Where tab-1 would write, delete or speak as another if it could.
func foreign() []string {
	return []string{
		"push.tab-2", "push.tab-1", "aside.tab-1", "aside.tab-2", "log", "feed.s.m.a.b",
		"$JS.API.STREAM.DELETE.RECORDS", "$JS.API.STREAM.PURGE.RECORDS", "$JS.API.STREAM.MSG.DELETE.RECORDS",
		"$JS.API.STREAM.UPDATE.RECORDS", "$JS.API.STREAM.CREATE.RECORDS", "$JS.API.CONSUMER.CREATE.RECORDS.x", "$JS.API.INFO",
		"$JS.ACK.RECORDS.x", "$SYS.REQ.SERVER.PING", "$SYS.REQ.USER.INFO", "$SYS.REQ.CLAIMS.UPDATE",
		"up.tab-2.push", "_in.gate.x", "_in.reader.x", "_INBOX.x",
	}
}

// What the server cannot tell from an honest answer when the gate sends it.
const otherInbox = "inbox.tab-2.x"

// watched is a centre with two devices; whatever anybody hears who should not is found by check.
type watched struct {
	*centre
	one     *nats.Conn
	refused chan error
	heard   []*nats.Subscription // by the other device, and by spies in both accounts
	before  string
}

func watch(t *testing.T, spied ...string) *watched {
	w := &watched{centre: newCentre(t)}
	one, two := w.enrol("tab-1"), w.enrol("tab-2")
	w.one, w.refused = w.device(one)
	other, _ := w.device(two)
	w.hear(other, wire.InboxPrefix("tab-2")+".>")
	centreSpy, deviceSpy := w.spy("centre"), w.spy("devices")
	for _, s := range []string{"push.>", "aside.>", "log", "feed.>", "_in.>"} {
		w.hear(centreSpy, s)
	}
	for _, s := range spied {
		w.hear(deviceSpy, s)
	}
	w.store("tab-1", "a stored message")
	if _, err := w.heard[1].NextMsg(patience); err != nil {
		t.Fatalf("the spy is deaf: %v", err)
	}
	w.before = w.state()
	w.drop("_in.>") // answers to the gate's own questions
	return w
}

func (w *watched) hear(nc *nats.Conn, subject string) {
	w.t.Helper()
	sub, err := nc.SubscribeSync(subject)
	if err != nil {
		w.t.Fatal(err)
	}
	flush(w.t, nc)
	w.heard = append(w.heard, sub)
}

// drop empties what a spy has heard so far.
func (w *watched) drop(subject string) {
	for _, s := range w.heard {
		for s.Subject == subject {
			if n, _, _ := s.Pending(); n == 0 {
				break
			}
			s.NextMsg(patience)
		}
	}
}

func (w *watched) check() {
	w.t.Helper()
	for _, s := range w.heard {
		if s.Subject != "_in.>" {
			wantSilence(w.t, s)
		}
	}
	if after := w.state(); after != w.before {
		w.t.Errorf("the streams changed:\n%s\n%s", w.before, after)
	}
}

func TestDeviceCannotPublishElsewhere(t *testing.T) {
	w := watch(t, "up.>", "inbox.>", "push.>", "aside.>", "log", "feed.>", "$JS.>", "_in.>", "_INBOX.>")
	for _, subject := range append(foreign(), otherInbox, "inbox.tab-1.x", "up.tab-2.x.y", "up.*.push", "up.tab-1", "updates") {
		if err := w.one.Publish(subject, []byte("{}")); err != nil {
			if strings.Contains(subject, "*") {
				continue // the client does not even send it
			}
			t.Fatal(err)
		}
		flush(t, w.one)
		wantRefused(t, w.refused, subject)
	}
	w.check()
}

// The server looks at the subject that a device publishes on, never at the reply subject that it names. With a gate
// that answers whatever it is asked, what remains is the inbox of another device; with one that looks, nothing.
func TestReplySubjects(t *testing.T) {
	for _, test := range []struct {
		name  string
		looks bool
	}{{"a gate that does not look", false}, {"a gate that looks", true}} {
		t.Run(test.name, func(t *testing.T) {
			w := watch(t, "push.>", "aside.>", "log", "feed.>", "$JS.>", "$SYS.>", "up.tab-2.>", "_in.>", "_INBOX.>")
			gate, refused := w.connect(trust.GateDevices)
			if _, err := gate.QueueSubscribe("up.*.*", "gate", func(m *nats.Msg) {
				device, _, err := wire.ParseUp(m.Subject)
				if err == nil && (!test.looks || wire.OwnInbox(device, m.Reply)) {
					m.Respond(m.Data)
				}
			}); err != nil {
				t.Fatal(err)
			}
			flush(t, gate)
			for _, reply := range foreign() {
				for _, data := range []string{"", `{"name":"RECORDS"}`} {
					if err := w.one.PublishRequest("up.tab-1.push", reply, []byte(data)); err != nil {
						t.Fatal(err)
					}
					w.settle()
					switch {
					case strings.HasPrefix(reply, "$JS.ACK."): // the one reply subject that the server does look at
						wantRefused(t, w.refused, reply)
					case !test.looks:
						wantRefused(t, refused, reply)
					}
				}
			}
			w.check()

			other := w.heard[0]
			if err := w.one.PublishRequest("up.tab-1.push", otherInbox, []byte("hello")); err != nil {
				t.Fatal(err)
			}
			w.settle()
			if test.looks {
				wantSilence(t, other)
			} else if m, err := other.NextMsg(patience); err != nil || string(m.Data) != "hello" {
				t.Errorf("got %v, %v; the server alone is known not to stop this", m, err)
			}
			if len(refused) > 0 {
				t.Errorf("also refused: %v", <-refused)
			}
			if n := len(w.refused); n > 0 {
				t.Errorf("the device was refused %d times, first with %v", n, <-w.refused)
			}
			w.check()
		})
	}
}

// settle returns when the gate has answered all that the device asked before.
func (w *watched) settle() {
	w.t.Helper()
	m, err := w.one.Request("up.tab-1.hello", []byte("ping"), patience)
	if err != nil || string(m.Data) != "ping" {
		w.t.Fatalf("an honest request: %v, %v", m, err)
	}
}

// A traced message makes the server itself publish, where the sender wants it.
func TestTraceHeaders(t *testing.T) {
	w := watch(t, "push.>", "aside.>", "$JS.>", "up.tab-2.>")
	for _, dest := range append(foreign(), otherInbox) {
		for _, only := range []string{"", "true"} {
			m := nats.NewMsg("up.tab-1.hello")
			m.Header.Set("Nats-Trace-Dest", dest)
			m.Header.Set("Nats-Trace-Only", only)
			if err := w.one.PublishMsg(m); err != nil {
				t.Fatal(err)
			}
			flush(t, w.one)
			wantRefused(t, w.refused, dest)
		}
	}
	w.check()
}

func TestDeviceCannotListenElsewhere(t *testing.T) {
	c := newCentre(t)
	nc, refused := c.device(c.enrol("tab-1"))
	for _, subject := range []string{
		">", "*", "*.>", "up.>", "up.*.*", "up.tab-1.>", "inbox.>", "inbox.*.>", "inbox.tab-2.>", "inbox.tab-2.x", "push.>", "push.tab-1",
		"aside.>", "$SYS.>", "$JS.>", "_in.>", "_INBOX.>",
	} {
		for _, queue := range []string{"", "gate"} {
			if _, err := nc.QueueSubscribeSync(subject, queue); err != nil {
				t.Fatal(err)
			}
			flush(t, nc)
			wantRefused(t, refused, subject)
		}
	}
}

func TestDeviceLimits(t *testing.T) {
	c := newCentre(t)
	cred := c.enrol("tab-1")
	nc, refused := c.device(cred)
	for range trust.DeviceSubs {
		if _, err := nc.SubscribeSync("inbox.tab-1.>"); err != nil {
			t.Fatal(err)
		}
	}
	flush(t, nc)
	if len(refused) > 0 {
		t.Fatalf("within the limit: %v", <-refused)
	}
	if _, err := nc.SubscribeSync("inbox.tab-1.more"); err != nil {
		t.Fatal(err)
	}
	flush(t, nc)
	select {
	case err := <-refused:
		if !strings.Contains(err.Error(), "maximum subscriptions exceeded") {
			t.Errorf("one subscription too many: %v", err)
		}
	case <-time.After(patience):
		t.Error("one subscription too many is taken")
	}

	gate, _ := c.connect(trust.GateDevices)
	got, err := gate.SubscribeSync("up.*.*")
	if err != nil {
		t.Fatal(err)
	}
	flush(t, gate)
	m := nats.NewMsg("up.tab-1.push")
	m.Header.Set("Some-Header", strings.Repeat("h", 200))
	m.Data = make([]byte, wire.MaxFrame)
	if err := nc.PublishMsg(m); err != nil {
		t.Fatal(err)
	}
	if m, err := got.NextMsg(patience); err != nil || len(m.Data) != wire.MaxFrame {
		t.Fatalf("a whole frame does not pass: %v", err)
	}
	// A client that keeps to the rules does not send it; one that does not is cut off.
	if err := nc.Publish("up.tab-1.push", make([]byte, trust.DevicePayload+1)); err == nil {
		t.Error("the client was not told the limit")
	}
	said := c.rude(cred, fmt.Sprintf("PUB up.tab-1.push %d\r\n", trust.DevicePayload+1), make([]byte, trust.DevicePayload+1))
	if !strings.Contains(said, "Maximum Payload Violation") {
		t.Errorf("too large a message: the server said %q", said)
	}
	if m, err := got.NextMsg(50 * time.Millisecond); err == nil {
		t.Errorf("the gate heard %d bytes", len(m.Data))
	}
}

// Streams are nothing that the devices' account could have, whoever the user.
func TestDevicesHaveNoStreams(t *testing.T) {
	c := newCentre(t)
	spy := c.spy("devices")
	for _, subject := range []string{"$JS.API.INFO", "$JS.API.STREAM.NAMES", "$JS.API.STREAM.CREATE.X", "$JS.API.STREAM.DELETE.RECORDS", "push.tab-1"} {
		if m, err := spy.Request(subject, nil, patience); err == nil && !strings.Contains(string(m.Data), "not enabled for account") {
			t.Errorf("%s was answered: %s", subject, m.Data)
		}
	}
}

// A credential holds for the key that it was made for.
func TestForeignCredential(t *testing.T) {
	c := newCentre(t)
	one, two := c.enrol("tab-1"), c.enrol("tab-2")
	elsewhere := newCentre(t).enrol("tab-1")
	for name, d := range map[string]credential{
		"another's credential": {events.DeviceID("tab-2"), two.token, one.seed},
		"another centre's":     elsewhere,
		"no credential":        {events.DeviceID("tab-1"), "", one.seed},
	} {
		if nc, err := c.dial(d, nats.NoReconnect()); err == nil {
			t.Errorf("%s: let in as %s", name, nc.ConnectedUrl())
		}
	}
	if nc, err := nats.Connect(c.broker.ClientURL()); err == nil {
		nc.Close()
		t.Error("a stranger was let in")
	}
}
