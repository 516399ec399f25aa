package sim

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"time"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

// network is a device's way to the centre. Messages are lost, late, out of order and doubled on it, and it breaks.
type network struct {
	w *world
	d *device
}

// line is one connection.
type line struct {
	*network
	task   *task
	device events.DeviceID
	inbox  []message
	cut    bool
}

type message struct {
	subject string
	data    []byte
}

// Dial is part of agent.Network.
func (n *network) Dial(_ context.Context, device events.DeviceID) (agent.Line, error) {
	if n.d.off || !n.d.online {
		return nil, agent.ErrNoNetwork
	}
	n.d.task.sleep(n.w.between(20*time.Millisecond, 300*time.Millisecond))
	if !n.w.centre.up {
		return nil, agent.ErrNoCentre
	}
	l := &line{network: n, task: n.d.task, device: device}
	n.d.lines = append(n.d.lines, l)
	return l, nil
}

// Post is part of agent.Network.
func (n *network) Post(_ context.Context, address *url.URL, kind string, body []byte, most int64) (int, []byte, error) {
	if n.d.off || !n.d.online {
		return 0, nil, agent.ErrNoNetwork
	}
	n.d.task.sleep(n.w.between(20*time.Millisecond, 300*time.Millisecond))
	if !n.w.centre.up || n.w.chance(n.w.cfg.Rates.Lost) {
		return 0, nil, agent.ErrNoCentre
	}
	r := httptest.NewRequest(http.MethodPost, address.Path, bytes.NewReader(body))
	r.Header.Set("Content-Type", kind)
	answer := httptest.NewRecorder()
	n.w.centre.outside.ServeHTTP(answer, r)
	if n.w.chance(n.w.cfg.Rates.Lost) {
		n.w.injected(Lost)
		return 0, nil, agent.ErrNoCentre
	}
	said := answer.Body.Bytes()
	return answer.Code, said[:min(int64(len(said)), most)], nil
}

// carry brings a message to the other end, as well as the link does.
func (l *line) carry(deliver func()) {
	r := l.w.cfg.Rates
	if l.w.chance(r.Cut) {
		l.w.injected(Cut)
		l.sever()
		return
	}
	if l.w.chance(r.Lost) {
		l.w.injected(Lost)
		return
	}
	times := 1
	if l.w.chance(r.Doubled) {
		l.w.injected(Doubled)
		times = 2
	}
	for range times {
		wait := l.w.between(10*time.Millisecond, 200*time.Millisecond)
		if l.w.chance(r.Late) {
			l.w.injected(Late)
			wait = l.w.between(time.Second, 20*time.Second)
		}
		l.w.in(wait, func() {
			if !l.cut {
				deliver()
			}
		})
	}
}

// sever ends the connection from outside.
func (l *line) sever() {
	if l.cut {
		return
	}
	l.cut = true
	n := l.task.parked
	l.w.in(0, func() { l.task.wake(n) })
}

// Send is part of agent.Line.
func (l *line) Send(subject, reply string, data []byte) error {
	if l.cut {
		return agent.ErrCut
	}
	device, verb, err := wire.ParseUp(subject)
	if err != nil || device != l.device || !wire.OwnInbox(device, reply) {
		l.w.fail("%s publishes on %s, for an answer at %s", l.device, subject, reply)
		return agent.ErrCut
	}
	data = slices.Clone(data)
	l.carry(func() {
		answer, answered := l.w.centre.ask(device, verb, reply, data)
		if !answered {
			return
		}
		l.carry(func() {
			l.inbox = append(l.inbox, message{reply, answer})
			l.task.wake(l.task.parked)
		})
	})
	return nil
}

// Next is part of agent.Line.
func (l *line) Next(_ context.Context, until time.Time) (string, []byte, error) {
	for {
		switch {
		case l.cut:
			return "", nil, agent.ErrCut
		case len(l.inbox) > 0:
			m := l.inbox[0]
			l.inbox = l.inbox[1:]
			return m.subject, m.data, nil
		case !l.w.now.Before(until):
			return "", nil, context.DeadlineExceeded
		}
		l.task.sleep(until.Sub(l.w.now))
	}
}

func (l *line) Lost() bool     { return l.cut }
func (l *line) Room() int      { return wire.MaxFrame }
func (l *line) Close()         { l.cut = true }
func (l *line) Now() time.Time { return l.w.now }

// Pause is part of agent.Line.
func (l *line) Pause(_ context.Context, d time.Duration) error {
	until := l.w.now.Add(d)
	for l.w.now.Before(until) && !l.cut {
		l.task.sleep(until.Sub(l.w.now))
	}
	return nil
}
