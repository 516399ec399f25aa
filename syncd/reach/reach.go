// Package reach reads a stretch of a stream to its end.
//
// The end is not where the stream says that it is: a broker goes on counting messages that a damaged block cannot give any
// more, and whoever waits for the last of them waits for ever. So where the next message does not come, it is asked whether
// there is one.
package reach

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// unheard is how long the next message may take before it is asked whether there is one.
const unheard = 2 * time.Second

// Next waits for the message of a stretch that comes behind a sequence; it is nil at the end.
func Next(ctx context.Context, s jetstream.Stream, in jetstream.MessagesContext, after uint64) (jetstream.Msg, error) {
	for {
		bounded, cancel := context.WithTimeout(ctx, unheard)
		m, err := in.Next(jetstream.NextContext(bounded))
		cancel()
		if err == nil || ctx.Err() != nil || !errors.Is(err, context.DeadlineExceeded) {
			return m, err
		}
		if more, err := More(ctx, s, after); err != nil || !more {
			return nil, err
		}
	}
}

// More tells whether a stream has a message behind a sequence that it can give.
func More(ctx context.Context, s jetstream.Stream, after uint64) (bool, error) {
	m, err := From(ctx, s, after+1)
	return m != nil, err
}

// From is the first message from a sequence on that a stream can give; nil where there is none.
func From(ctx context.Context, s jetstream.Stream, seq uint64) (*jetstream.RawStreamMsg, error) {
	m, err := s.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(">"))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, nil
	}
	return m, err
}
