package agent

import (
	"context"
	"net/url"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
)

// Network is how a device reaches its centre, where that is not the real one: a simulation's.
type Network interface {
	// Dial makes a connection for a device. Errors: ErrNoNetwork, ErrNoCentre, or a *Stop.
	Dial(ctx context.Context, device events.DeviceID) (Line, error)
	// Post asks the centre outside of a connection, and returns at most most bytes of what it says.
	Post(ctx context.Context, address *url.URL, kind string, body []byte, most int64) (status int, said []byte, err error)
}

// Line is a connection to the centre, and the time that passes on it. It belongs to one goroutine.
type Line interface {
	// Send asks on a subject for an answer at reply.
	Send(subject, reply string, data []byte) error
	// Next waits until a time for the next message in the device's inbox. Errors: context.DeadlineExceeded; ErrNoGate where
	// nobody listens at the centre; ErrCut where the connection is gone; that of ctx.
	Next(ctx context.Context, until time.Time) (subject string, data []byte, err error)
	// Lost tells whether the connection is gone.
	Lost() bool
	// Room is how large a message may be.
	Room() int
	// Close ends the connection.
	Close()

	// Now only goes forward, and need not be the machine's clock.
	Now() time.Time
	// Pause waits, or returns the error of ctx.
	Pause(ctx context.Context, d time.Duration) error
}

// natsLine is the real one.
type natsLine struct {
	conn *nats.Conn
	sub  *nats.Subscription
}

func (l *natsLine) Send(subject, reply string, data []byte) error {
	if err := l.conn.PublishRequest(subject, reply, data); err != nil {
		return connectError(err)
	}
	return nil
}

func (l *natsLine) Next(ctx context.Context, until time.Time) (string, []byte, error) {
	bounded, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	m, err := l.sub.NextMsgWithContext(bounded)
	switch {
	case ctx.Err() != nil:
		return "", nil, ctx.Err()
	case bounded.Err() != nil && err != nil:
		return "", nil, bounded.Err()
	case err == nats.ErrNoResponders:
		return "", nil, ErrNoGate
	case err != nil:
		if last := l.conn.LastError(); last != nil && l.Lost() {
			err = last
		}
		return "", nil, connectError(err)
	case len(m.Data) == 0 && m.Header.Get("Status") == "503":
		return m.Subject, nil, ErrNoGate
	}
	return m.Subject, m.Data, nil
}

func (l *natsLine) Lost() bool { return l.conn.IsClosed() }

func (l *natsLine) Room() int { return int(l.conn.MaxPayload()) }

func (l *natsLine) Close() { l.conn.Close() }

func (l *natsLine) Now() time.Time { return time.Now() }

func (l *natsLine) Pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
