package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
)

// Source is RECORDS as the store reads it.
type Source struct {
	stream  jetstream.Stream
	created int64
}

// OpenSource finds the stream over a connection of the reader's user.
func OpenSource(ctx context.Context, nc *nats.Conn) (*Source, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", wire.Records.Name, err)
	}
	stream, err := js.Stream(ctx, wire.Records.Name)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", wire.Records.Name, err)
	}
	return &Source{stream, stream.CachedInfo().Created.UnixNano()}, nil
}

// Last is the sequence of the last message in the stream.
func (s *Source) Last(ctx context.Context) (uint64, error) {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return 0, fmt.Errorf("read %s: %w", wire.Records.Name, err)
	}
	return info.State.LastSeq, nil
}

// holds tells whether what stands at p is what stood there.
func (s *Source) holds(ctx context.Context, p wire.Place) (bool, error) {
	if p.IsZero() {
		return true, nil
	}
	if p.Created != s.created {
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

// Most that goes into one transaction.
const (
	batchMessages = 64
	batchBytes    = 8 << 20
)

// Follow keeps the model up with the stream until ctx ends; then it returns nil. It first builds a new model beside
// the present one where that was made by other versions of the projections, or where the place that it stands at does
// not hold.
func (s *Store) Follow(ctx context.Context, src *Source) error {
	m := s.current()
	fits, err := src.holds(ctx, m.place())
	if err != nil {
		return err
	}
	if !fits || !m.same {
		s.cfg.Log.Info("the read model is built anew", "same stream", fits, "same projections", m.same)
		if err := s.Rebuild(ctx, src, nil); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		m = s.current()
	}
	e := newEngine(m)
	err = src.each(ctx, m.place(), s.cfg.Office, func(batch []*message) error {
		if err := e.apply(batch); err != nil {
			return err
		}
		s.moved()
		return nil
	}, nil)
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// Rebuild builds a new model from the whole stream, beside the present one, and swaps it in. progress, where it is not
// nil, hears now and then how many of how many messages are done.
func (s *Store) Rebuild(ctx context.Context, src *Source, progress func(done, of uint64)) (err error) {
	path := filepath.Join(s.cfg.Dir, "building.db")
	if err := removeModel(path); err != nil {
		return err
	}
	m, err := openModel(path, s.cfg.Office, true)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, m.close(), removeModel(path))
		}
	}()
	last, err := src.Last(ctx)
	if err != nil {
		return err
	}
	if last > 0 {
		e := newEngine(m)
		err := src.each(ctx, wire.Place{}, s.cfg.Office, func(batch []*message) error {
			if err := e.apply(batch); err != nil {
				return err
			}
			if progress != nil {
				progress(m.place().Seq, last)
			}
			if m.place().Seq >= last {
				return errEnough
			}
			return nil
		}, &last)
		if err != nil && !errors.Is(err, errEnough) {
			return err
		}
	}
	if err := m.finish(); err != nil {
		return err
	}
	return s.swap(m)
}

var errEnough = errors.New("enough")

// finish makes a bulk model's indexes and brings it to the disk.
func (m *model) finish() error {
	if _, err := m.write.Exec(indexes); err != nil {
		return fmt.Errorf("read model: indexes: %w", err)
	}
	f, err := os.Open(m.path)
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	return errors.Join(f.Sync(), f.Close())
}

// each reads the messages behind from, in order and without a gap, and hands them on in batches: as many as are there
// already. It ends with ctx, with the first error, or behind *until.
func (s *Source) each(ctx context.Context, from wire.Place, office func(events.DeviceID) bool, fn func([]*message) error, until *uint64) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	consumer, err := s.stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from.Seq + 1,
	})
	if err != nil {
		return fmt.Errorf("read %s: %w", wire.Records.Name, err)
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(512))
	if err != nil {
		return fmt.Errorf("read %s: %w", wire.Records.Name, err)
	}
	defer in.Stop()

	// Reading and decoding on one side, writing on the other.
	read := make(chan *message, batchMessages)
	failed := make(chan error, 1)
	go func() {
		defer close(read)
		next := from.Seq + 1
		for until == nil || next <= *until {
			m, err := in.Next(jetstream.NextContext(ctx))
			if err != nil {
				failed <- err
				return
			}
			meta, err := m.Metadata()
			if err == nil && meta.Sequence.Stream != next {
				err = fmt.Errorf("message %d is missing: %d comes instead", next, meta.Sequence.Stream)
			}
			if err != nil {
				failed <- fmt.Errorf("read %s: %w", wire.Records.Name, err)
				return
			}
			place := wire.Place{Seq: next, Hash: wire.HashData(m.Data()), Created: s.created}
			msg, err := readMessage(place, m.Data(), office)
			if err != nil {
				failed <- err
				return
			}
			select {
			case read <- msg:
			case <-ctx.Done():
				failed <- ctx.Err()
				return
			}
			next++
		}
		failed <- nil
	}()
	for msg := range read {
		batch, size := []*message{msg}, len(msg.data)
	more:
		for len(batch) < batchMessages && size < batchBytes {
			select {
			case msg, ok := <-read:
				if !ok {
					break more
				}
				batch, size = append(batch, msg), size+len(msg.data)
			default:
				break more
			}
		}
		if err := fn(batch); err != nil {
			cancel()
			for range read { // until the reader has seen it
			}
			return err
		}
	}
	return <-failed
}
