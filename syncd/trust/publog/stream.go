package publog

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/outcome"
	"ullage/syncd/reach"
)

// patience is how long one question to the broker may take.
const patience = 10 * time.Second

// ahead is how many messages the broker may send before they are asked for, of at most a MiB each.
const ahead = 64

// stream is RECORDS or LOG.
type stream struct {
	js   jetstream.JetStream
	s    jetstream.Stream
	name string
}

func openStream(ctx context.Context, js jetstream.JetStream, name string) (*stream, error) {
	s, err := js.Stream(ctx, name)
	if err != nil {
		return nil, fmt.Errorf("%w: stream %s: %w", outcome.ErrUnavailable, name, err)
	}
	return &stream{js, s, name}, nil
}

// state is what a stream says of itself.
type state struct {
	created int64
	last    uint64 // sequence of the last message
	gaps    bool   // there are sequences up to it that it does not have
}

func (s *stream) state(ctx context.Context) (state, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	i, err := s.s.Info(ctx)
	if err != nil {
		return state{}, fmt.Errorf("%w: stream %s: %w", outcome.ErrUnavailable, s.name, err)
	}
	return state{i.Created.UnixNano(), i.State.LastSeq, i.State.Msgs != i.State.LastSeq}, nil
}

// get returns the data at a sequence; false where nothing stands there.
func (s *stream) get(ctx context.Context, seq uint64) ([]byte, bool, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	m, err := s.s.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("%w: message %d of %s: %w", outcome.ErrUnavailable, seq, s.name, err)
	}
	return m.Data, true, nil
}

// holds tells whether what stands at p is what stood there.
func (s *stream) holds(ctx context.Context, p wire.Place) (bool, error) {
	if p.IsZero() {
		return true, nil
	}
	at, err := s.state(ctx)
	if err != nil || at.created != p.Created || p.Seq > at.last {
		return false, err
	}
	data, ok, err := s.get(ctx, p.Seq)
	return ok && wire.HashData(data) == p.Hash, err
}

// message is one message of a stream.
type message struct {
	seq     uint64
	subject string
	data    []byte
}

// forever is the end of a reading that goes on for as long as its context.
const forever = uint64(math.MaxUint64)

// each hands on the messages behind a sequence, in their order: up to the sequence until, or the last that is there; or
// forever.
func (s *stream) each(ctx context.Context, after, until uint64, fn func(message) error) error {
	if after >= until {
		return nil
	}
	bad := func(err error) error { return fmt.Errorf("%w: read %s: %w", outcome.ErrUnavailable, s.name, err) }
	consumer, err := s.s.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
	})
	if err != nil {
		return bad(err)
	}
	if until != forever && consumer.CachedInfo().NumPending == 0 {
		return nil
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(ahead))
	if err != nil {
		return bad(err)
	}
	defer in.Stop()
	for more := true; more; {
		m, err := s.next(ctx, in, after, until)
		if err != nil {
			return bad(err)
		}
		if m == nil {
			return nil
		}
		meta, err := m.Metadata()
		if err != nil {
			return bad(err)
		}
		seq := meta.Sequence.Stream
		if seq <= after {
			return bad(fmt.Errorf("message %d comes after message %d", seq, after))
		}
		after = seq
		more = until == forever || seq < until && meta.NumPending > 0
		if err := fn(message{seq, m.Subject(), m.Data()}); err != nil {
			return err
		}
	}
	return nil
}

// next waits for the next message of a stretch, or where it goes on for ever, of all that will come. It is nil at the end.
func (s *stream) next(ctx context.Context, in jetstream.MessagesContext, after, until uint64) (jetstream.Msg, error) {
	if until == forever {
		return in.Next(jetstream.NextContext(ctx))
	}
	return reach.Next(ctx, s.s, in, after)
}

// more tells whether there is a message behind a sequence that can be read.
func (s *stream) more(ctx context.Context, after uint64) (bool, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	more, err := reach.More(ctx, s.s, after)
	if err != nil {
		err = fmt.Errorf("%w: behind message %d of %s: %w", outcome.ErrUnavailable, after, s.name, err)
	}
	return more, err
}

// append stores data in LOG where the last sequence is still the given one, and returns once it is on the broker's disk.
// Errors: those of outcome.
func (s *stream) append(ctx context.Context, last uint64, data []byte) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	m := nats.NewMsg(wire.LogSubject)
	m.Data = data
	ack, err := s.js.PublishMsg(ctx, m, jetstream.WithExpectLastSequence(last), jetstream.WithRetryAttempts(0))
	if err != nil {
		return 0, outcome.Of(err)
	}
	return ack.Sequence, nil
}
