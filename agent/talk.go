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
	line   Line
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

// How long the making of a connection may take. A centre whose devices all come back at once serves them one after the
// other: it answers late then, and whoever gave up and began anew would stand at the end of the line again.
const (
	dialTime    = 5 * time.Second  // until somebody answers at all
	welcomeTime = 15 * time.Second // until the centre has let the device in
)

// mostAnswers is how many answers may wait to be read: one to each try, and some that come too late. The memory for as many
// is taken at once.
const mostAnswers = 64

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

// dial connects the device to its centre, over TLS from the first byte on: to any of its servers, where it has several. The
// connection ends for good when it is lost: when to try again is the loop's decision alone.
func (d *Device) dial(ctx context.Context) (*talk, error) {
	var nonce [8]byte
	if err := d.cfg.Random(nonce[:]); err != nil {
		return nil, err
	}
	t := &talk{device: d.id.Device, inbox: fmt.Sprintf("%s.%x", wire.InboxPrefix(d.id.Device), nonce), frame: firstFrame}
	var err error
	if d.cfg.Network != nil {
		t.line, err = d.cfg.Network.Dial(ctx, d.id.Device)
	} else {
		servers := strings.Split(d.id.NATS, ",")
		for i := range servers { // from any of them on, so that devices spread
			server := servers[(int(nonce[0])+i)%len(servers)]
			if t.line, err = d.connect(ctx, server, t.inbox); err == nil || ctx.Err() != nil {
				break
			}
		}
	}
	return t, err
}

// connect makes the connection to a server, on which answers are heard below inbox.
func (d *Device) connect(ctx context.Context, server, inbox string) (Line, error) {
	at, err := url.Parse(server)
	if err != nil {
		return nil, fmt.Errorf("device.json: nats: %w", err)
	}
	sign := func(challenge []byte) ([]byte, error) {
		user, err := nkeys.FromSeed(d.keys.conn)
		if err != nil {
			return nil, err
		}
		defer user.Wipe()
		return user.Sign(challenge)
	}
	var fresh pins
	conn, err := nats.Connect(server,
		nats.Secure(d.pins.tls(at.Hostname(), func(p pins) { fresh = p })),
		nats.TLSHandshakeFirst(),
		nats.Name(string(d.id.Device)),
		nats.UserJWT(func() (string, error) { return d.id.JWT, nil }, sign),
		nats.CustomInboxPrefix(wire.InboxPrefix(d.id.Device)),
		nats.NoReconnect(),
		nats.IgnoreDiscoveredServers(),
		nats.Timeout(welcomeTime),
		nats.SetCustomDialer(dialer{ctx}),
		nats.PermissionErrOnSubscribe(true),
		nats.SyncQueueLen(mostAnswers),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), // errors show where an answer is awaited
	)
	if err != nil {
		return nil, connectError(err)
	}
	if len(fresh) > 0 {
		if err := d.learnPins(fresh); err != nil {
			conn.Close()
			return nil, err
		}
	}
	l := &natsLine{conn: conn}
	if l.sub, err = conn.SubscribeSync(inbox + ".*"); err != nil {
		conn.Close()
		return nil, connectError(err)
	}
	return l, nil
}

// ask sends a request, which build makes for an answer at reply. The answer has to come within patience.
func (t *talk) ask(verb wire.Verb, patience time.Duration, build func(reply string) []byte) (asking, error) {
	t.asked++
	return t.again(asking{verb: verb, reply: t.inbox + "." + strconv.Itoa(t.asked)}, patience, build)
}

// again asks once more for the same answer: one that comes to the first try after all is as good.
func (t *talk) again(a asking, patience time.Duration, build func(reply string) []byte) (asking, error) {
	a.until = t.line.Now().Add(patience)
	return a, t.line.Send(wire.UpSubject(t.device, a.verb), a.reply, build(a.reply))
}

// await waits for the answer to a. Errors: ErrNoAnswer where none came in time, which leaves open what became of the
// request; ErrNoGate where nobody listens at the centre; ErrCut where the connection is gone.
func (t *talk) await(ctx context.Context, a asking) (wire.Answer, error) {
	for {
		subject, data, err := t.line.Next(ctx, a.until)
		switch {
		case errors.Is(err, ErrNoGate) && subject != "" && subject != a.reply:
			continue
		case errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil:
			return wire.Answer{}, fmt.Errorf("%s: %w", a.verb, ErrNoAnswer)
		case errors.Is(err, ErrNoGate):
			return wire.Answer{}, fmt.Errorf("%s: %w", a.verb, err)
		case err != nil:
			return wire.Answer{}, err
		case subject != a.reply: // to a request that was given up
			continue
		}
		answer, err := wire.DecodeAnswer(data)
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
func (t *talk) room() int { return min(wire.MaxFrame, t.line.Room()) }

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
