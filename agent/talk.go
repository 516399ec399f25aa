package agent

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
)

// talk is one connection to the centre, on which one request at a time is in flight. It asks on up.<device>.<verb> and
// is answered in an inbox of its own, of which the last token numbers the request: an answer to an earlier one, which
// the device gave up, is told by it and dropped.
//
// It belongs to one goroutine.
type talk struct {
	device events.DeviceID
	conn   *nats.Conn
	sub    *nats.Subscription
	inbox  string
	asked  int
	frame  int // how large a push may be for now
}

// asking is a request whose answer has not come yet.
type asking struct {
	verb  wire.Verb
	reply string
	until time.Time
}

// dialTime bounds the making of a connection.
const dialTime = 5 * time.Second

// dialer makes nats.go give up with the context: it has none of its own.
type dialer struct{ ctx context.Context }

func (d dialer) Dial(network, address string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(d.ctx, dialTime)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	return &cutConn{conn, context.AfterFunc(d.ctx, func() { conn.Close() })}, nil
}

// cutConn is a connection that is cut when a context ends, unless it was closed before.
type cutConn struct {
	net.Conn
	stop func() bool
}

func (c *cutConn) Close() error {
	c.stop()
	return c.Conn.Close()
}

// dial connects device to its centre, over TLS from the first byte on. learned hears of pins that are new. The
// connection ends for good when it is lost: when to try again is the loop's decision alone.
func dial(ctx context.Context, id identity, k keys, known pins, learned func(pins) error, random func([]byte) error) (*talk, error) {
	at, err := url.Parse(id.NATS)
	if err != nil {
		return nil, fmt.Errorf("device.json: nats: %w", err)
	}
	var nonce [8]byte
	if err := random(nonce[:]); err != nil {
		return nil, err
	}
	prefix := wire.InboxPrefix(id.Device)
	sign := func(challenge []byte) ([]byte, error) {
		user, err := nkeys.FromSeed(k.conn)
		if err != nil {
			return nil, err
		}
		defer user.Wipe()
		return user.Sign(challenge)
	}
	var fresh pins
	conn, err := nats.Connect(id.NATS,
		nats.Secure(known.tls(at.Hostname(), func(p pins) { fresh = p })),
		nats.TLSHandshakeFirst(),
		nats.Name(string(id.Device)),
		nats.UserJWT(func() (string, error) { return id.JWT, nil }, sign),
		nats.CustomInboxPrefix(prefix),
		nats.NoReconnect(),
		nats.Timeout(dialTime),
		nats.SetCustomDialer(dialer{ctx}),
		nats.PermissionErrOnSubscribe(true),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), // errors show where an answer is awaited
	)
	if err != nil {
		return nil, connectError(err)
	}
	if len(fresh) > 0 {
		if err := learned(fresh); err != nil {
			conn.Close()
			return nil, err
		}
	}
	t := &talk{device: id.Device, conn: conn, inbox: fmt.Sprintf("%s.%x", prefix, nonce), frame: firstFrame}
	if t.sub, err = conn.SubscribeSync(t.inbox + ".*"); err != nil {
		conn.Close()
		return nil, connectError(err)
	}
	return t, nil
}

func (t *talk) close() {
	t.conn.Close()
}

// lost tells whether the connection is gone.
func (t *talk) lost() bool { return t.conn.IsClosed() }

// ask sends a request, which build makes for an answer at reply. The answer has to come within patience.
func (t *talk) ask(verb wire.Verb, patience time.Duration, build func(reply string) []byte) (asking, error) {
	t.asked++
	return t.again(asking{verb: verb, reply: t.inbox + "." + strconv.Itoa(t.asked)}, patience, build)
}

// again asks once more for the same answer: one that comes to the first try after all is as good.
func (t *talk) again(a asking, patience time.Duration, build func(reply string) []byte) (asking, error) {
	a.until = time.Now().Add(patience)
	if err := t.conn.PublishRequest(wire.UpSubject(t.device, a.verb), a.reply, build(a.reply)); err != nil {
		return asking{}, connectError(err)
	}
	return a, nil
}

// await waits for the answer to a. Errors: ErrNoAnswer where none came in time, which leaves open what became of the
// request; ErrNoGate where nobody listens at the centre; ErrCut where the connection is gone.
func (t *talk) await(ctx context.Context, a asking) (wire.Answer, error) {
	bounded, cancel := context.WithDeadline(ctx, a.until)
	defer cancel()
	for {
		m, err := t.sub.NextMsgWithContext(bounded)
		switch {
		case ctx.Err() != nil:
			return wire.Answer{}, ctx.Err()
		case errors.Is(err, context.DeadlineExceeded):
			return wire.Answer{}, fmt.Errorf("%s: %w", a.verb, ErrNoAnswer)
		case errors.Is(err, nats.ErrNoResponders):
			return wire.Answer{}, fmt.Errorf("%s: %w", a.verb, ErrNoGate)
		case err != nil:
			if last := t.conn.LastError(); last != nil && t.lost() {
				err = last
			}
			return wire.Answer{}, connectError(err)
		case m.Subject != a.reply: // to a request that was given up
			continue
		case len(m.Data) == 0 && m.Header.Get("Status") == "503":
			return wire.Answer{}, fmt.Errorf("%s: %w", a.verb, ErrNoGate)
		}
		answer, err := wire.DecodeAnswer(m.Data)
		if err != nil {
			return wire.Answer{}, fmt.Errorf("%s: the centre's answer: %w", a.verb, err)
		}
		return answer, nil
	}
}

// request asks, up to tries times, and waits.
func (t *talk) request(ctx context.Context, verb wire.Verb, tries int, patience time.Duration, build func(reply string) []byte) (wire.Answer, error) {
	a, err := t.ask(verb, patience, build)
	for err == nil {
		var answer wire.Answer
		answer, err = t.await(ctx, a)
		if tries--; !errors.Is(err, ErrNoAnswer) || tries == 0 {
			return answer, err
		}
		a, err = t.again(a, patience, build)
	}
	return wire.Answer{}, err
}

// room is the greatest frame that this connection takes.
func (t *talk) room() int { return int(min(wire.MaxFrame, t.conn.MaxPayload())) }

// connectError turns what nats.go says into what the loop decides by. It is the one place that knows those errors.
func connectError(err error) error {
	var dns *net.DNSError
	var op *net.OpError
	var stop *Stop
	var plainly tls.RecordHeaderError
	switch {
	case errors.As(err, &stop):
		return stop
	case errors.As(err, &plainly):
		return strange(errors.New("it does not speak TLS"))
	case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthRevoked), errors.Is(err, nats.ErrAuthExpired), errors.Is(err, nats.ErrAccountAuthExpired):
		return &Stop{StopRevoked, "the centre does not take this device's credential: it was revoked, or the centre was set up anew"}
	case errors.Is(err, nats.ErrPermissionViolation):
		return &Stop{StopRevoked, "the centre does not let this device speak for itself: " + plain(err)}
	case errors.Is(err, nats.ErrNoServers), errors.Is(err, nats.ErrTimeout), refusedConnection(err), errors.As(err, &op) && op.Timeout():
		return fmt.Errorf("%w: %w", ErrNoCentre, err)
	case errors.As(err, &dns), errors.As(err, &op) && op.Op == "dial":
		return fmt.Errorf("%w: %w", ErrNoNetwork, err)
	}
	return fmt.Errorf("%w: %w", ErrCut, err)
}

// plain is an error's text without the library's name before it.
func plain(err error) string { return strings.TrimPrefix(err.Error(), "nats: ") }
