// Package stream is the one door of the centre's parts to what is kept in streams: RECORDS, LOG and ASIDE.
package stream

import (
	"context"
	"math"

	"ullage/events"
	"ullage/events/wire"
)

// Message is one message of a stream.
type Message struct {
	Seq     uint64 // from 1 on; 0: there is no such message
	Subject string
	Data    []byte
}

// State is what a stream says of itself. That is not all true: it goes on counting messages that a damaged block cannot
// give any more.
type State struct {
	Created     int64 // when it was made, in nanoseconds since 1970; another stream under the same name has another
	First, Last uint64
	Gaps        bool // there are sequences up to the last that it does not have, and knows of
}

// Expect is what must stand last for a message to be stored: in the stream, or on the message's subject.
type Expect struct {
	Last      uint64 // a sequence; 0: nothing
	OnSubject bool
}

// Forever is the end of a reading that goes on for as long as its context.
const Forever = uint64(math.MaxUint64)

// Any is all subjects.
const Any = ">"

// Stream is one stream. What it cannot say is an error that wraps ErrUnavailable; of Append also one that wraps ErrMoved or
// ErrUnknown.
type Stream interface {
	Name() string
	State(ctx context.Context) (State, error)

	// Gone lists the sequences up to the last that the stream knows it does not have.
	Gone(ctx context.Context) (wire.Ranges, error)
	// Get returns the message at a sequence.
	Get(ctx context.Context, seq uint64) (Message, error)
	// From returns the first message on a subject, or on Any, at a sequence or behind it.
	From(ctx context.Context, subject string, seq uint64) (Message, error)
	// Last returns the last message on a subject.
	Last(ctx context.Context, subject string) (Message, error)
	// Append stores data where what is expected stands last, and returns its sequence once it is on the disk.
	Append(ctx context.Context, subject string, data []byte, expect Expect) (uint64, error)
	// Each hands on the messages behind a sequence, in their order: up to the sequence until, or the last that can be read;
	// or Forever. It ends with the first error of fn, which it returns as it is.
	Each(ctx context.Context, after, until uint64, fn func(Message) error) error
	// Again hears each time that the stream is there again after it was away, until ctx ends.
	Again(ctx context.Context) <-chan struct{}
}

// Place is where a message stands in a stream that was made then.
func (m Message) Place(created int64) wire.Place {
	return wire.Place{Seq: m.Seq, Hash: wire.HashData(m.Data), Created: created}
}

// Holds tells whether what stands at p is what stood there. A zero place holds always.
func Holds(ctx context.Context, s Stream, p wire.Place) (bool, error) {
	if p.IsZero() {
		return true, nil
	}
	at, err := s.State(ctx)
	if err != nil || at.Created != p.Created || p.Seq > at.Last {
		return false, err
	}
	m, err := s.Get(ctx, p.Seq)
	return m.Seq != 0 && wire.HashData(m.Data) == p.Hash, err
}

// More tells whether there is a message behind a sequence that can be read.
func More(ctx context.Context, s Stream, after uint64) (bool, error) {
	m, err := s.From(ctx, Any, after+1)
	return m.Seq != 0, err
}

// gone are the ranges of sequences before first, and of those that are listed.
func gone(first uint64, deleted []uint64) (all wire.Ranges) {
	if first > 1 {
		all.Add(wire.Range{From: 1, To: events.Seq(first - 1)})
	}
	for _, seq := range deleted {
		all.Add(wire.Range{From: events.Seq(seq), To: events.Seq(seq)})
	}
	return all
}
