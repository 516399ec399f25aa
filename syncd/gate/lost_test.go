package gate

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// The gate's line to the streams fails at the worst moment: the push is stored and the gate does not hear of it, or it
// is not stored and the gate does not know. Whatever it answers is true, and in the end everything is stored once.
func TestUnknownOutcome(t *testing.T) {
	tests := []struct {
		lose   string
		status wire.Status // of the answer; empty for an error, which tells the device to ask again
		stored bool        // by that push
		again  wire.Status // of the same push once more
	}{
		{"ack", wire.OK, true, wire.Elsewhere}, // the answer to the commit is lost; the question after it is answered
		{"cut", wire.OK, true, wire.Elsewhere}, // the connection goes with it, and comes back
		{"push", "", false, wire.OK},           // the push itself is lost with the connection
	}
	for _, test := range tests {
		t.Run(test.lose, func(t *testing.T) {
			w := newWorld(t)
			l := &line{}
			g := w.gate(nil, l.option(), nats.ReconnectWait(10*time.Millisecond), nats.ReconnectJitter(0, 0))
			g.cfg.Log.records.Stream = hasty{g.cfg.Log.records.Stream, 500 * time.Millisecond}
			d := w.device("tab-1")
			d.writeOrdinary(9)
			commit := func(q wire.PushRequest) (wire.Answer, error) { return g.Commit(t.Context(), d.id, d.known(), q) }
			if a, err := commit(d.push(1, 2)); err != nil || a.Status != wire.OK {
				t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
			}
			happened := l.next(test.lose)
			a, err := commit(d.push(3, 6))
			select {
			case <-happened:
			default:
				t.Fatal("nothing was lost")
			}
			if test.status == "" {
				if !errors.Is(err, stream.ErrUnknown) {
					t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
				}
			} else if err != nil || a.Status != test.status {
				t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
			} else {
				d.checkCursor(a, 6)
			}
			before := w.state()
			if stored := before.Msgs == 2; stored != test.stored {
				t.Fatalf("%d messages are stored", before.Msgs)
			}

			// The answer was lost on the way to the device as well, say: it pushes again, through another connection.
			eventually(t, w.conns[g].IsConnected)
			if a, err = commit(d.push(3, 6)); err != nil || a.Status != test.again {
				t.Fatalf("again: %s: %s, %v", a.Status, a.Reason, err)
			}
			d.checkCursor(a, 6)
			if a, err = commit(d.push(7, 9)); err != nil || a.Status != wire.OK {
				t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
			}
			d.checkStored(9)
			if got := w.state().Msgs; got != 3 {
				t.Errorf("%d messages, not 3", got)
			}
		})
	}
}

// hasty is a stream that is not waited for long.
type hasty struct {
	stream.Stream
	wait time.Duration
}

func (i hasty) Append(ctx context.Context, subject string, data []byte, expect stream.Expect) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, i.wait)
	defer cancel()
	return i.Stream.Append(ctx, subject, data, expect)
}

// A push that is so late that the gate has given it up, and that another gate has committed in the meantime, is
// refused by the stream when it comes.
func TestLatePush(t *testing.T) {
	w := newWorld(t)
	l := &line{}
	g, other := w.gate(nil, l.option()), w.gate(nil)
	g.cfg.Log.records.Stream = hasty{g.cfg.Log.records.Stream, 300 * time.Millisecond}
	d := w.device("tab-1")
	d.writeOrdinary(6)
	if a, err := g.Commit(t.Context(), d.id, d.known(), d.push(1, 2)); err != nil || a.Status != wire.OK {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	held := l.next("hold")
	a, err := g.Commit(t.Context(), d.id, d.known(), d.push(3, 4))
	if !errors.Is(err, stream.ErrUnknown) {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	<-held
	a, err = other.Commit(t.Context(), d.id, d.known(), d.push(3, 5))
	if err != nil || a.Status != wire.OK {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	before := w.state()
	if err := l.release(); err != nil {
		t.Fatal(err)
	}
	g.cfg.Log.records.Stream = g.cfg.Log.records.Stream.(hasty).Stream
	if a, err = g.Commit(t.Context(), d.id, d.known(), d.push(3, 4)); err != nil || a.Status != wire.Elsewhere {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	d.checkCursor(a, 5)
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
	if a, err = g.Commit(t.Context(), d.id, d.known(), d.push(6, 6)); err != nil || a.Status != wire.OK {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	d.checkStored(6)
}

// The same, but the late push is stored after all, before anybody asks again.
func TestLatePushIsStored(t *testing.T) {
	w := newWorld(t)
	l := &line{}
	g := w.gate(nil, l.option())
	g.cfg.Log.records.Stream = hasty{g.cfg.Log.records.Stream, 300 * time.Millisecond}
	d := w.device("tab-1")
	d.writeOrdinary(4)
	held := l.next("hold")
	a, err := g.Commit(t.Context(), d.id, d.known(), d.push(1, 2))
	if !errors.Is(err, stream.ErrUnknown) {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	<-held
	if err := l.release(); err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { return w.state().Msgs == 1 })
	g.cfg.Log.records.Stream = g.cfg.Log.records.Stream.(hasty).Stream
	if a, err = g.Commit(t.Context(), d.id, d.known(), d.push(1, 4)); err != nil || a.Status != wire.Elsewhere {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	d.checkCursor(a, 2)
	if a, err = g.Commit(t.Context(), d.id, d.known(), d.push(3, 4)); err != nil || a.Status != wire.OK {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	d.checkStored(4)
}

// With no broker nothing is said but "later"; the caller that gives up gets its answer at once.
func TestBrokerIsAway(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	w.run(g)
	d := w.device("tab-1")
	d.writeOrdinary(2)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if a, err := g.Commit(ended, d.id, d.known(), d.push(1, 2)); err == nil {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}
	w.conns[g].Close()
	for verb, data := range map[wire.Verb][]byte{wire.Push: d.push(1, 2).Encode()} {
		if a := d.ask(verb, data); a.Status != wire.Busy || a.Wait == 0 {
			t.Errorf("%s: %s: %s", verb, a.Status, a.Reason)
		}
	}
	if a := d.hello(2, d.links[2], nil); a.Status != wire.Busy || a.Wait == 0 {
		t.Errorf("hello: %s: %s", a.Status, a.Reason)
	}
	if _, err := g.Commit(t.Context(), d.id, d.known(), d.push(1, 2)); !errors.Is(err, stream.ErrUnavailable) {
		t.Error(err)
	}
	g.remember(d.id, &cursor{link: d.links[0], key: d.known().Key}) // so that the push itself is what fails
	if _, err := g.Commit(t.Context(), d.id, d.known(), d.push(1, 2)); !errors.Is(err, stream.ErrUnknown) {
		t.Error(err)
	}
	if got := w.state(); got.Msgs != 0 {
		t.Errorf("%+v", got)
	}
}

// What the stream itself refuses is not stored, and nobody waits for it.
func TestStreamRefuses(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	d := w.device("tab-1")
	if _, err := g.cfg.Log.records.append(t.Context(), d.id, 0, random(wire.MaxMessage)); !errors.Is(err, stream.ErrUnavailable) {
		t.Errorf("more than a message may have: %v", err)
	}
	// The most that a gate stores does fit, headers and all.
	place, err := g.cfg.Log.records.append(t.Context(), events.DeviceID("a-device-with-a-name-as-long-as-a-name-can-be-which-is-64-bytes--"), 0, random(wire.MaxStored))
	if err != nil || place.Seq != 1 {
		t.Errorf("as much as a message may have: %+v, %v", place, err)
	}
	if _, err := g.cfg.Log.records.append(t.Context(), d.id, 7, []byte("x")); !errors.Is(err, stream.ErrMoved) {
		t.Errorf("behind a message that is not there: %v", err)
	}
	if got := w.state(); got.Msgs != 1 {
		t.Errorf("%+v", got)
	}
	short, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if _, err := OpenLog(short, w.device("nobody").conn); !errors.Is(err, stream.ErrUnavailable) {
		t.Errorf("a log where there is no stream: %v", err)
	}
}
