package gate

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/outcome"
)

// Log is RECORDS as the gate uses it, the last message of a device and one more after it; and ASIDE in the same way.
type Log struct {
	js             jetstream.JetStream
	records, aside keptIn
	wait           time.Duration
}

// keptIn is a stream, in which each device has a subject.
type keptIn struct {
	jetstream.Stream
	name    string
	created int64
	subject func(events.DeviceID) string
}

func (s keptIn) place(seq uint64, data []byte) wire.Place {
	return wire.Place{Seq: seq, Hash: wire.HashData(data), Created: s.created}
}

// OpenLog finds the streams over a connection of the gate's user in the centre's account. Errors wrap ErrUnavailable.
func OpenLog(ctx context.Context, nc *nats.Conn) (*Log, error) {
	l := &Log{wait: 10 * time.Second}
	var err error
	if l.js, err = jetstream.New(nc); err != nil {
		return nil, fmt.Errorf("%w: %w", outcome.ErrUnavailable, err)
	}
	if l.records, err = l.open(ctx, wire.Records.Name, wire.PushSubject); err != nil {
		return nil, err
	}
	if l.aside, err = l.open(ctx, wire.Aside.Name, wire.AsideSubject); err != nil {
		return nil, err
	}
	return l, nil
}

func (l *Log) open(ctx context.Context, name string, subject func(events.DeviceID) string) (keptIn, error) {
	stream, err := l.js.Stream(ctx, name)
	if err != nil {
		return keptIn{}, fmt.Errorf("%w: stream %s: %w", outcome.ErrUnavailable, name, err)
	}
	return keptIn{stream, name, stream.CachedInfo().Created.UnixNano(), subject}, nil
}

// last returns the last message of a device in RECORDS: its data and its place; a zero place where there is none.
func (l *Log) last(ctx context.Context, device events.DeviceID) ([]byte, wire.Place, error) {
	return l.lastIn(ctx, l.records, device)
}

func (l *Log) lastIn(ctx context.Context, in keptIn, device events.DeviceID) ([]byte, wire.Place, error) {
	ctx, cancel := context.WithTimeout(ctx, l.wait)
	defer cancel()
	m, err := in.GetLastMsgForSubject(ctx, in.subject(device))
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return nil, wire.Place{}, nil
	case err != nil:
		return nil, wire.Place{}, fmt.Errorf("%w: last message of %s in %s: %w", outcome.ErrUnavailable, device, in.name, err)
	}
	return m.Data, in.place(m.Sequence, m.Data), nil
}

// next returns the first message of a device in a stream from sequence from on; its sequence is 0 where there is none.
func (l *Log) next(ctx context.Context, in keptIn, device events.DeviceID, from uint64) (seq uint64, data []byte, err error) {
	ctx, cancel := context.WithTimeout(ctx, l.wait)
	defer cancel()
	m, err := in.GetMsg(ctx, from, jetstream.WithGetMsgSubject(in.subject(device)))
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return 0, nil, nil
	case err != nil:
		return 0, nil, fmt.Errorf("%w: messages of %s in %s: %w", outcome.ErrUnavailable, device, in.name, err)
	}
	return m.Sequence, m.Data, nil
}

// append stores data in RECORDS after the message at sequence after (0 for none) of the device. It returns when the
// broker has it on its disk. Errors: those of outcome.
func (l *Log) append(ctx context.Context, device events.DeviceID, after uint64, data []byte) (wire.Place, error) {
	return l.appendIn(ctx, l.records, device, after, data)
}

func (l *Log) appendIn(ctx context.Context, in keptIn, device events.DeviceID, after uint64, data []byte) (wire.Place, error) {
	ctx, cancel := context.WithTimeout(ctx, l.wait)
	defer cancel()
	m := nats.NewMsg(in.subject(device))
	m.Data = data
	ack, err := l.js.PublishMsg(ctx, m, jetstream.WithExpectLastSequencePerSubject(after), jetstream.WithRetryAttempts(0))
	if err != nil {
		return wire.Place{}, outcome.Of(err)
	}
	return in.place(ack.Sequence, data), nil
}
