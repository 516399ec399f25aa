package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
)

const (
	// patience is how long one question to the broker may take.
	patience = 10 * time.Second
	// ahead is how many messages the broker may send before they are asked for, of at most a MiB each.
	ahead = 64
	// unheard is how long the next message of a stretch may take before it is asked whether there is one.
	unheard = 2 * time.Second
	// pullFor is how long one request for messages holds, and pullHeard how often the broker says that it knows of it; where it
	// has said nothing twice, it is asked again.
	pullFor   = 10 * time.Second
	pullHeard = 2 * time.Second
)

// onBroker is a stream of the broker, over a connection of one of the centre's parts.
type onBroker struct {
	js   jetstream.JetStream
	s    jetstream.Stream
	name string
}

// Open finds a stream. The error wraps ErrUnavailable.
func Open(ctx context.Context, nc *nats.Conn, name string) (Stream, error) {
	b := &onBroker{name: name}
	var err error
	if b.js, err = jetstream.New(nc); err != nil {
		return nil, b.bad(err, "find it")
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if b.s, err = b.js.Stream(ctx, name); err != nil {
		return nil, b.bad(err, "find it")
	}
	return b, nil
}

func (b *onBroker) bad(err error, format string, a ...any) error {
	return fmt.Errorf("%w: stream %s: %s: %w", ErrUnavailable, b.name, fmt.Sprintf(format, a...), err)
}

func (b *onBroker) Name() string { return b.name }

func (b *onBroker) State(ctx context.Context) (State, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	i, err := b.s.Info(ctx)
	if err != nil {
		return State{}, b.bad(err, "look at it")
	}
	return State{i.Created.UnixNano(), i.State.FirstSeq, i.State.LastSeq, i.State.Msgs != i.State.LastSeq}, nil
}

func (b *onBroker) Gone(ctx context.Context) (wire.Ranges, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	i, err := b.s.Info(ctx)
	if err == nil && i.State.NumDeleted > 0 {
		i, err = b.s.Info(ctx, jetstream.WithDeletedDetails(true))
	}
	if err != nil {
		return nil, b.bad(err, "look at it")
	}
	return gone(i.State.FirstSeq, i.State.Deleted), nil
}

// message is what the broker gave; none where it has none.
func (b *onBroker) message(m *jetstream.RawStreamMsg, err error, format string, a ...any) (Message, error) {
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return Message{}, nil
	case err != nil:
		return Message{}, b.bad(err, format, a...)
	}
	return Message{m.Sequence, m.Subject, m.Data}, nil
}

func (b *onBroker) Get(ctx context.Context, seq uint64) (Message, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	m, err := b.s.GetMsg(ctx, seq)
	return b.message(m, err, "message %d", seq)
}

func (b *onBroker) From(ctx context.Context, subject string, seq uint64) (Message, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	m, err := b.s.GetMsg(ctx, max(seq, 1), jetstream.WithGetMsgSubject(subject))
	return b.message(m, err, "message %d or the next on %s", seq, subject)
}

func (b *onBroker) Last(ctx context.Context, subject string) (Message, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	m, err := b.s.GetLastMsgForSubject(ctx, subject)
	return b.message(m, err, "last message on %s", subject)
}

func (b *onBroker) Append(ctx context.Context, subject string, data []byte, expect Expect) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	stands := jetstream.WithExpectLastSequence(expect.Last)
	if expect.OnSubject {
		stands = jetstream.WithExpectLastSequencePerSubject(expect.Last)
	}
	m := nats.NewMsg(subject)
	m.Data = data
	ack, err := b.js.PublishMsg(ctx, m, stands, jetstream.WithRetryAttempts(0))
	if err != nil {
		return 0, outcome(err)
	}
	return ack.Sequence, nil
}

func (b *onBroker) Each(ctx context.Context, after, until uint64, fn func(Message) error) error {
	for after < until {
		last, err := b.some(ctx, after, until, fn)
		if !errors.Is(err, errUnheard) {
			return err
		}
		after = last
	}
	return nil
}

// errUnheard is that the broker has a next message, and does not send it.
var errUnheard = errors.New("the broker does not send what it has")

// some reads on with one consumer, and returns how far it came. A consumer in a cluster counts what the server has on which it
// is, and that may lag behind the others; and a request to it is lost without a word where it has not become known on the
// way to it. So its word for the end is no end, and one that does not send is left for another (errUnheard).
func (b *onBroker) some(ctx context.Context, after, until uint64, fn func(Message) error) (uint64, error) {
	const what = "read it"
	consumer, err := b.s.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
	})
	if err != nil {
		return after, b.bad(err, what)
	}
	if until != Forever && consumer.CachedInfo().NumPending == 0 {
		if more, err := More(ctx, b, after); err != nil || !more {
			return until, err
		}
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(ahead), jetstream.PullExpiry(pullFor), jetstream.PullHeartbeat(pullHeard))
	if err != nil {
		return after, b.bad(err, what)
	}
	defer in.Stop()
	for more := true; more; {
		m, err := b.next(ctx, in, after, until)
		if errors.Is(err, errUnheard) {
			return after, err
		}
		if err != nil {
			return after, b.bad(err, what)
		}
		if m == nil {
			return until, nil
		}
		meta, err := m.Metadata()
		if err != nil {
			return after, b.bad(err, what)
		}
		seq := meta.Sequence.Stream
		if seq <= after {
			return after, b.bad(fmt.Errorf("message %d comes after message %d", seq, after), what)
		}
		if seq > until {
			return until, nil
		}
		after = seq
		if err := fn(Message{seq, m.Subject(), m.Data()}); err != nil {
			return after, err
		}
		if more = until == Forever || seq < until; more && meta.NumPending == 0 && until != Forever {
			if more, err = More(ctx, b, after); err != nil {
				return after, err
			}
		}
	}
	return until, nil
}

// next waits for the next message of a stretch, or of all that will ever come. It is nil at the end of a stretch, which is
// not where the stream says that it is: so where the next message does not come, it is asked whether there is one.
func (b *onBroker) next(ctx context.Context, in jetstream.MessagesContext, after, until uint64) (jetstream.Msg, error) {
	if until == Forever {
		return in.Next(jetstream.NextContext(ctx))
	}
	bounded, cancel := context.WithTimeout(ctx, unheard)
	defer cancel()
	m, err := in.Next(jetstream.NextContext(bounded))
	if err == nil || ctx.Err() != nil || !errors.Is(err, context.DeadlineExceeded) {
		return m, err
	}
	more, err := More(ctx, b, after)
	if err == nil && more {
		err = errUnheard
	}
	return nil, err
}

func (b *onBroker) Again(ctx context.Context) <-chan struct{} {
	status, again := b.js.Conn().StatusChanged(nats.CONNECTED), make(chan struct{}, 1)
	go func() {
		defer b.js.Conn().RemoveStatusListener(status)
		for {
			select {
			case <-ctx.Done():
				return
			case _, open := <-status:
				if !open {
					return
				}
				select {
				case again <- struct{}{}:
				default: // it is known already
				}
			}
		}
	}()
	return again
}
