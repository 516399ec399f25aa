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
)

// Errors of the log. Log translates the broker's own into these, and nothing else does.
var (
	// ErrMoved: something else stands last on the subject; nothing was stored.
	ErrMoved = errors.New("another push was committed before")
	// ErrUnknown: the broker did not say in time whether it stored.
	ErrUnknown = errors.New("it is not known whether the push was stored")
	// ErrUnavailable: the broker could not be asked, or refused; nothing was stored.
	ErrUnavailable = errors.New("the broker is not available")
)

// Log is RECORDS as the gate uses it: the last message of a device, and one more after it.
type Log struct {
	js      jetstream.JetStream
	stream  jetstream.Stream
	created int64
	wait    time.Duration
}

// OpenLog finds the stream over a connection of the gate's user in the centre's account. Errors wrap ErrUnavailable.
func OpenLog(ctx context.Context, nc *nats.Conn) (*Log, error) {
	l := &Log{wait: 10 * time.Second}
	var err error
	if l.js, err = jetstream.New(nc); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	if l.stream, err = l.js.Stream(ctx, wire.Records.Name); err != nil {
		return nil, fmt.Errorf("%w: stream %s: %w", ErrUnavailable, wire.Records.Name, err)
	}
	l.created = l.stream.CachedInfo().Created.UnixNano()
	return l, nil
}

// last returns the last message of a device: its data and its place; a zero place where there is none.
func (l *Log) last(ctx context.Context, device events.DeviceID) ([]byte, wire.Place, error) {
	ctx, cancel := context.WithTimeout(ctx, l.wait)
	defer cancel()
	m, err := l.stream.GetLastMsgForSubject(ctx, wire.PushSubject(device))
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return nil, wire.Place{}, nil
	case err != nil:
		return nil, wire.Place{}, fmt.Errorf("%w: last push of %s: %w", ErrUnavailable, device, err)
	}
	return m.Data, l.place(m.Sequence, m.Data), nil
}

func (l *Log) place(seq uint64, data []byte) wire.Place {
	return wire.Place{Seq: seq, Hash: wire.HashData(data), Created: l.created}
}

// append stores data after the message at sequence after (0 for none) of the device. It returns when the broker has it
// on its disk. Errors: ErrMoved, ErrUnknown, ErrUnavailable.
func (l *Log) append(ctx context.Context, device events.DeviceID, after uint64, data []byte) (wire.Place, error) {
	ctx, cancel := context.WithTimeout(ctx, l.wait)
	defer cancel()
	m := nats.NewMsg(wire.PushSubject(device))
	m.Data = data
	ack, err := l.js.PublishMsg(ctx, m, jetstream.WithExpectLastSequencePerSubject(after), jetstream.WithRetryAttempts(0))
	if err != nil {
		return wire.Place{}, translate(err)
	}
	return l.place(ack.Sequence, data), nil
}

// The broker's codes for an expectation that did not hold: the second stands for it while a write of the same subject
// is still on its way through a replicated stream.
const (
	codeWrongLastSequence jetstream.ErrorCode = 10071
	codeWrongLastInFlight jetstream.ErrorCode = 10164
)

// translate turns the broker's errors into ours.
func translate(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		if api.ErrorCode == codeWrongLastSequence || api.ErrorCode == codeWrongLastInFlight {
			return fmt.Errorf("%w: %w", ErrMoved, err)
		}
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	if errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, nats.ErrNoResponders) {
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	return fmt.Errorf("%w: %w", ErrUnknown, err)
}
