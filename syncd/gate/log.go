package gate

import (
	"context"
	"fmt"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// Log is RECORDS as the gate uses it, the last message of a device and one more after it; and its branches, and ASIDE, in
// the same way.
type Log struct{ records, branches, aside keptIn }

// keptIn is a stream, in which each device has a subject.
type keptIn struct {
	stream.Stream
	created int64
	subject func(events.DeviceID) string
}

func (s keptIn) place(seq uint64, data []byte) wire.Place {
	return stream.Message{Seq: seq, Data: data}.Place(s.created)
}

// OpenLog finds the streams over a connection of the gate's user in the centre's account. Errors wrap stream.ErrUnavailable.
func OpenLog(ctx context.Context, nc *nats.Conn) (*Log, error) {
	records, err := stream.Open(ctx, nc, wire.Records.Name)
	if err != nil {
		return nil, err
	}
	aside, err := stream.Open(ctx, nc, wire.Aside.Name)
	if err != nil {
		return nil, err
	}
	return NewLog(ctx, records, aside)
}

// NewLog makes a Log of its two streams.
func NewLog(ctx context.Context, records, aside stream.Stream) (*Log, error) {
	in := func(s stream.Stream, subject func(events.DeviceID) string) (keptIn, error) {
		at, err := s.State(ctx)
		return keptIn{s, at.Created, subject}, err
	}
	r, err := in(records, wire.PushSubject)
	if err != nil {
		return nil, err
	}
	a, err := in(aside, wire.AsideSubject)
	if err != nil {
		return nil, err
	}
	b := r
	b.subject = wire.BranchSubject
	return &Log{r, b, a}, nil
}

// last returns the last message of a device in a stream: its data and its place; a zero place where there is none.
func (s keptIn) last(ctx context.Context, device events.DeviceID) ([]byte, wire.Place, error) {
	m, err := s.Last(ctx, s.subject(device))
	if err != nil || m.Seq == 0 {
		return nil, wire.Place{}, of(device, err)
	}
	return m.Data, m.Place(s.created), nil
}

// next returns the first message of a device in a stream from sequence from on; its sequence is 0 where there is none.
func (s keptIn) next(ctx context.Context, device events.DeviceID, from uint64) (seq uint64, data []byte, err error) {
	m, err := s.From(ctx, s.subject(device), from)
	return m.Seq, m.Data, of(device, err)
}

// append stores data after the message at sequence after (0 for none) of the device. It returns when the broker has it on
// its disk. Errors: those of stream.Append.
func (s keptIn) append(ctx context.Context, device events.DeviceID, after uint64, data []byte) (wire.Place, error) {
	seq, err := s.Append(ctx, s.subject(device), data, stream.Expect{Last: after, OnSubject: true})
	if err != nil {
		return wire.Place{}, of(device, err)
	}
	return s.place(seq, data), nil
}

func of(device events.DeviceID, err error) error {
	if err != nil {
		err = fmt.Errorf("messages of %s: %w", device, err)
	}
	return err
}
