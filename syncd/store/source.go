package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/reach"
)

// Source is RECORDS as the store reads it.
type Source struct {
	conn   *nats.Conn
	stream jetstream.Stream
}

// OpenSource finds the stream over a connection of the reader's user.
func OpenSource(ctx context.Context, nc *nats.Conn) (*Source, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, sourceError(err)
	}
	stream, err := js.Stream(ctx, wire.Records.Name)
	if err != nil {
		return nil, sourceError(err)
	}
	return &Source{nc, stream}, nil
}

func sourceError(err error) error { return fmt.Errorf("read %s: %w", wire.Records.Name, err) }

// Last is the sequence of the last message in the stream.
func (s *Source) Last(ctx context.Context) (uint64, error) {
	_, last, err := s.state(ctx)
	return last, err
}

// state is when the stream was made, and the sequence of its last message.
func (s *Source) state(ctx context.Context) (created int64, last uint64, err error) {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return 0, 0, sourceError(err)
	}
	return info.Created.UnixNano(), info.State.LastSeq, nil
}

// gone are the sequences up to the last that the stream does not have.
func (s *Source) gone(ctx context.Context) (all wire.Ranges, err error) {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return nil, sourceError(err)
	}
	if first := info.State.FirstSeq; first > 1 {
		all.Add(wire.Range{From: 1, To: events.Seq(first - 1)})
	}
	if info.State.NumDeleted == 0 {
		return all, nil
	}
	if info, err = s.stream.Info(ctx, jetstream.WithDeletedDetails(true)); err != nil {
		return nil, sourceError(err)
	}
	for _, seq := range info.State.Deleted {
		all.Add(wire.Range{From: events.Seq(seq), To: events.Seq(seq)})
	}
	return all, nil
}

// more tells whether the stream has a message behind a sequence that it can give.
func (s *Source) more(ctx context.Context, after uint64) (bool, error) {
	more, err := reach.More(ctx, s.stream, after)
	if err != nil {
		err = fmt.Errorf("read %s: behind message %d: %w", wire.Records.Name, after, err)
	}
	return more, err
}

// next waits for the next message of a stretch, or where until is 0, of all that will ever come. It is nil at the end.
func (s *Source) next(ctx context.Context, in jetstream.MessagesContext, after, until uint64) (jetstream.Msg, error) {
	if until == 0 {
		return in.Next(jetstream.NextContext(ctx))
	}
	return reach.Next(ctx, s.stream, in, after)
}

// holds tells whether what stands at p is what stood there.
func (s *Source) holds(ctx context.Context, p wire.Place) (bool, error) {
	if p.IsZero() {
		return true, nil
	}
	created, last, err := s.state(ctx)
	if err != nil {
		return false, err
	}
	if p.Created != created || p.Seq > last {
		return false, nil
	}
	m, err := s.stream.GetMsg(ctx, p.Seq)
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("read %s: message %d: %w", wire.Records.Name, p.Seq, err)
	}
	return wire.HashData(m.Data) == p.Hash, nil
}

// What is read ahead of the writer, and what goes into one transaction: small enough that a stop is not waited for.
const (
	aheadMessages = 64 // that the broker may send before they are asked for, of at most a MiB each
	batchMessages = 64
	batchRecords  = 4096
)

// reading is a stretch of the stream on its way to the writer.
type reading struct {
	messages chan *message // read and sorted; closed at the end
	err      error         // why it ended; nil at the end of the stretch. Valid once messages is closed
}

// read reads the messages behind a sequence, in order: until ctx ends or, where until is not 0, up to that one or the
// last that is there. Whoever stops listening ends ctx and drains the messages.
func (s *Source) read(ctx context.Context, after, until uint64, office func(events.DeviceID) bool) (*reading, error) {
	created, _, err := s.state(ctx)
	if err != nil {
		return nil, err
	}
	consumer, err := s.stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: after + 1,
	})
	if err != nil {
		return nil, sourceError(err)
	}
	r := &reading{messages: make(chan *message, batchMessages/2)}
	if until > 0 && consumer.CachedInfo().NumPending == 0 {
		close(r.messages)
		return r, nil
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(aheadMessages))
	if err != nil {
		return nil, sourceError(err)
	}
	go func() {
		defer close(r.messages)
		defer in.Stop()
		for more := true; more; {
			m, err := s.next(ctx, in, after, until)
			if err != nil {
				r.err = sourceError(err)
				return
			}
			if m == nil {
				return
			}
			meta, err := m.Metadata()
			if err != nil {
				r.err = sourceError(err)
				return
			}
			seq := meta.Sequence.Stream
			if seq <= after {
				r.err = sourceError(fmt.Errorf("message %d comes after message %d", seq, after))
				return
			}
			after = seq
			more = until == 0 || seq < until && meta.NumPending > 0
			msg, err := readMessage(wire.Place{Seq: seq, Hash: wire.HashData(m.Data()), Created: created}, m.Data(), office)
			if err != nil {
				msg = &message{place: wire.Place{Seq: seq, Hash: wire.HashData(m.Data()), Created: created}, data: m.Data(), unread: err}
			}
			msg.sort()
			select {
			case r.messages <- msg:
			case <-ctx.Done():
				r.err = ctx.Err()
				return
			}
		}
	}()
	return r, nil
}

// each reads as read does, and hands the messages on in batches: as many as are there already. idle, where it is not
// nil, is called in between: every minute, when the broker is there again after it was away, and when poke says so.
func (s *Source) each(ctx context.Context, after, until uint64, office func(events.DeviceID) bool, fn func([]*message) error, idle func() error, poke <-chan struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	r, err := s.read(ctx, after, until, office)
	if err != nil {
		cancel()
		return err
	}
	defer func() {
		cancel()
		for range r.messages { // until the reader has seen it
		}
	}()
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	again := s.conn.StatusChanged(nats.CONNECTED)
	defer s.conn.RemoveStatusListener(again)
	look := func() error {
		if idle == nil {
			return nil
		}
		return idle()
	}
	for {
		select {
		case msg, ok := <-r.messages:
			if !ok {
				return r.err
			}
			if ctx.Err() != nil {
				return ctx.Err() // what is read already can wait
			}
			if err := fn(r.batch(msg)); err != nil {
				return err
			}
		case <-tick.C:
			if err := look(); err != nil {
				return err
			}
		case <-again:
			if err := look(); err != nil {
				return err
			}
		case <-poke:
			if err := look(); err != nil {
				return err
			}
		}
	}
}

// batch is a message, and those behind it that are there already.
func (r *reading) batch(msg *message) []*message {
	batch, records := []*message{msg}, len(msg.arrivals)
	for len(batch) < batchMessages && records < batchRecords {
		select {
		case next, ok := <-r.messages:
			if !ok {
				return batch
			}
			batch, records = append(batch, next), records+len(next.arrivals)
		default:
			return batch
		}
	}
	return batch
}

// hashes hands on sequence and hash of every message that the stream can give, up to one, in order.
func (s *Source) hashes(ctx context.Context, until uint64, fn func(seq uint64, hash events.Hash) error) error {
	consumer, err := s.stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return sourceError(err)
	}
	if consumer.CachedInfo().NumPending == 0 {
		return nil
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(aheadMessages))
	if err != nil {
		return sourceError(err)
	}
	defer in.Stop()
	for at := uint64(0); at < until; {
		m, err := s.next(ctx, in, at, until)
		if err != nil {
			return sourceError(err)
		}
		if m == nil {
			return nil
		}
		meta, err := m.Metadata()
		if err != nil {
			return sourceError(err)
		}
		if at = meta.Sequence.Stream; at > until {
			return nil
		}
		if err := fn(at, wire.HashData(m.Data())); err != nil {
			return err
		}
		if meta.NumPending == 0 {
			return nil
		}
	}
	return nil
}
