package gate

import (
	"bytes"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
)

// A device that floods the gate, with whatever it likes, is cut, and kept out for a while; what the others push gets
// through. How long they take beside it is told as a ratio, and not asserted.
func TestFlood(t *testing.T) {
	for name, flood := range map[string]struct {
		verb  wire.Verb
		reply string
		data  []byte
		slow  bool // where a machine is slow, each may be looked at before the next is there: that is no flood
	}{
		"no hello":        {wire.Hello, "inbox.tab-9.x", make([]byte, 1000), false},
		"frames of noise": {wire.Push, "inbox.tab-9.x", random(wire.MaxFrame), true},
		"lists in lists":  {wire.Push, "inbox.tab-9.x", bytes.Repeat([]byte{0x91}, wire.MaxFrame), true},
		"no such verb":    {"x", "inbox.tab-9.x", nil, false},
		"no reply":        {wire.Push, "", nil, false},
		"another's inbox": {wire.Push, "inbox.tab-1.x", nil, false},
	} {
		t.Run(name, func(t *testing.T) { testFlood(t, flood.verb, flood.reply, flood.data, !flood.slow) })
	}
}

func testFlood(t *testing.T, verb wire.Verb, reply string, data []byte, cuts bool) {
	w := newWorld(t)
	g := w.gate(func(c *Config) {
		c.Rest = func(id events.DeviceID) {
			d, ok := w.trust.Device(id)
			if !ok {
				t.Errorf("%s is not known", id)
			} else if err := w.broker.Rest(d.Conn, 2*time.Second); err != nil {
				t.Error(err)
			}
		}
	})
	w.run(g)
	const pushes = 40
	honest := []*device{w.device("tab-1"), w.device("tab-2"), w.device("tab-3")}
	for _, d := range honest {
		d.writeOrdinary(2 * pushes)
	}
	all := func(from events.Seq) time.Duration {
		begun := time.Now()
		done := make(chan error, len(honest))
		for _, d := range honest {
			go func() {
				for seq := from; seq < from+pushes; seq++ {
					for {
						a, err := d.tryAsk(wire.Push, d.push(seq, seq).Encode(), 20*time.Second)
						if err != nil {
							done <- err
							return
						}
						if a.Status == wire.OK {
							break
						}
						if a.Status != wire.Busy {
							t.Errorf("%s: push of %d: %s: %s", d.id, seq, a.Status, a.Reason)
							break
						}
						time.Sleep(time.Duration(a.Wait) * time.Millisecond)
					}
				}
				done <- nil
			}()
		}
		for range honest {
			if err := <-done; err != nil {
				t.Fatal(err)
			}
		}
		return time.Since(begun)
	}
	alone := all(1)

	abuser := w.device("tab-9")
	abuser.writeOrdinary(1)
	cut := make(chan struct{}, 1)
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for conn := abuser.conn; ; conn = abuser.dial() {
			if conn == nil { // it is kept out
				select {
				case <-stop:
					return
				case <-time.After(50 * time.Millisecond):
				}
				continue
			}
			for !conn.IsClosed() {
				select {
				case <-stop:
					conn.Close()
					return
				default:
				}
				for range 1000 {
					if conn.PublishMsg(&nats.Msg{Subject: wire.UpSubject(abuser.id, verb), Reply: reply, Data: data}) != nil {
						break
					}
				}
			}
			select {
			case cut <- struct{}{}:
			default:
			}
		}
	}()
	beside := all(pushes + 1)
	if cuts {
		select {
		case <-cut:
		case <-time.After(20 * time.Second):
			t.Error("the device that floods is not cut")
		}
	}
	close(stop)
	<-stopped
	for _, d := range honest {
		d.checkStored(2 * pushes)
	}
	// The rest ends by itself.
	eventually(t, func() bool {
		abuser.conn = abuser.dial()
		return abuser.conn != nil
	})
	abuser.sends(1, 1)
	t.Logf("%d pushes of each of %d devices took %v alone, %v beside a flood: %.1f times", pushes, len(honest), alone, beside, float64(beside)/float64(alone))
}
