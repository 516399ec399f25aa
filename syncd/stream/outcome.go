package stream

import (
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// What becomes of a message that is not plainly stored.
var (
	// ErrMoved: something else stands last; nothing was stored.
	ErrMoved = errors.New("something else was stored before")
	// ErrUnknown: the broker did not say in time whether it stored.
	ErrUnknown = errors.New("it is not known whether it was stored")
	// ErrUnavailable: the broker could not be asked, or refused; nothing was stored.
	ErrUnavailable = errors.New("the broker is not available")
)

// The broker's codes for an expectation that did not hold: the second stands for it while a write of the same subject
// is still on its way through a replicated stream.
const (
	codeWrongLastSequence jetstream.ErrorCode = 10071
	codeWrongLastInFlight jetstream.ErrorCode = 10164
)

// outcome turns an error of publishing into one that wraps ErrMoved, ErrUnknown or ErrUnavailable.
func outcome(err error) error {
	var api *jetstream.APIError
	switch {
	case errors.As(err, &api) && (api.ErrorCode == codeWrongLastSequence || api.ErrorCode == codeWrongLastInFlight):
		return fmt.Errorf("%w: %w", ErrMoved, err)
	case api != nil, errors.Is(err, jetstream.ErrNoStreamResponse), errors.Is(err, nats.ErrNoResponders):
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	return fmt.Errorf("%w: %w", ErrUnknown, err)
}
