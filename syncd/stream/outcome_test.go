package stream

import (
	"context"
	"errors"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A refusal is no "unknown", and whatever is not understood is.
func TestOutcome(t *testing.T) {
	for _, c := range []struct {
		err  error
		want error
	}{
		{&jetstream.APIError{ErrorCode: 10071}, ErrMoved}, {&jetstream.APIError{ErrorCode: 10164}, ErrMoved}, // as the server's errors.json numbers them
		{&jetstream.APIError{ErrorCode: 10077}, ErrUnavailable}, {jetstream.ErrNoStreamResponse, ErrUnavailable}, {nats.ErrNoResponders, ErrUnavailable},
		{context.DeadlineExceeded, ErrUnknown}, {nats.ErrTimeout, ErrUnknown}, {nats.ErrConnectionClosed, ErrUnknown}, {errors.New("whatever"), ErrUnknown},
	} {
		got := outcome(c.err)
		for _, e := range []error{ErrMoved, ErrUnknown, ErrUnavailable} {
			if errors.Is(got, e) != (e == c.want) {
				t.Errorf("%v is %v", c.err, got)
			}
		}
		if !errors.Is(got, c.err) {
			t.Errorf("%v is lost in %v", c.err, got)
		}
	}
}
