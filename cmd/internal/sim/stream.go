package sim

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// memory is a stream as the broker keeps one, measured: a message that a damaged block cannot give any more goes on being
// counted; a lost tail is given out again under the same sequences; a new stream has another time of creation.
type memory struct {
	w       *world
	name    string
	created int64
	kept    []stream.Message // by sequence; Seq is 0 where the broker cannot give it
	last    map[string]uint64
	down    bool // the broker is away
}

func newMemory(w *world, name string) *memory {
	return &memory{w: w, name: name, created: w.now.UnixNano(), last: map[string]uint64{}}
}

// copied is the stream as it stands, once more.
func (s *memory) copied() *memory {
	c := *s
	c.kept = slices.Clone(s.kept)
	c.last = map[string]uint64{}
	c.count()
	return &c
}

// count finds out what stands last on each subject, as a broker does at its start.
func (s *memory) count() {
	clear(s.last)
	for _, m := range s.kept {
		if m.Seq != 0 {
			s.last[m.Subject] = m.Seq
		}
	}
}

// damage is a flipped bit in a block, seen after a restart: what stands from a message to the end of its block is gone. The
// last block of a stream ends with it, and its sequences are given out again.
func (s *memory) damage(from, to uint64) {
	if to >= uint64(len(s.kept)) {
		s.kept = s.kept[:from-1]
	} else {
		for i := from - 1; i < to; i++ {
			s.kept[i] = stream.Message{}
		}
	}
	s.count()
}

func (s *memory) away() error {
	if s.down {
		return fmt.Errorf("%w: stream %s", stream.ErrUnavailable, s.name)
	}
	return nil
}

func (s *memory) Name() string { return s.name }

func (s *memory) State(context.Context) (stream.State, error) {
	n := uint64(len(s.kept))
	return stream.State{Created: s.created, First: min(1, n), Last: n}, s.away()
}

func (s *memory) Gone(context.Context) (wire.Ranges, error) { return nil, s.away() }

func (s *memory) Get(_ context.Context, seq uint64) (stream.Message, error) {
	if seq == 0 || seq > uint64(len(s.kept)) {
		return stream.Message{}, s.away()
	}
	return s.kept[seq-1], s.away()
}

func (s *memory) From(_ context.Context, subject string, seq uint64) (stream.Message, error) {
	if err := s.away(); err != nil {
		return stream.Message{}, err
	}
	if subject != stream.Any && s.last[subject] < seq { // none, and no need to look
		return stream.Message{}, nil
	}
	for i := max(seq, 1); i <= uint64(len(s.kept)); i++ {
		if m := s.kept[i-1]; m.Seq != 0 && (subject == stream.Any || m.Subject == subject) {
			return m, nil
		}
	}
	return stream.Message{}, nil
}

func (s *memory) Last(ctx context.Context, subject string) (stream.Message, error) {
	return s.Get(ctx, s.last[subject])
}

var errLost = errors.New("no answer came in time")

func (s *memory) Append(_ context.Context, subject string, data []byte, expect stream.Expect) (uint64, error) {
	if err := s.away(); err != nil {
		return 0, err
	}
	stands := uint64(len(s.kept))
	if expect.OnSubject {
		stands = s.last[subject]
	}
	if stands != expect.Last {
		return 0, fmt.Errorf("%w: message %d stands last, not %d", stream.ErrMoved, stands, expect.Last)
	}
	if s.w.chance(s.w.cfg.Rates.Unstored) {
		s.w.injected(Unstored)
		return 0, fmt.Errorf("%w: %w", stream.ErrUnknown, errLost)
	}
	seq := uint64(len(s.kept)) + 1
	s.kept = append(s.kept, stream.Message{Seq: seq, Subject: subject, Data: slices.Clone(data)})
	s.last[subject] = seq
	if s.w.chance(s.w.cfg.Rates.Unsaid) {
		s.w.injected(Unsaid)
		return 0, fmt.Errorf("%w: %w", stream.ErrUnknown, errLost)
	}
	return seq, nil
}

func (s *memory) Each(ctx context.Context, after, until uint64, fn func(stream.Message) error) error {
	if until == stream.Forever {
		return errors.New("nobody follows a stream here")
	}
	for at := after; at < min(until, uint64(len(s.kept))); at++ {
		if err := errors.Join(ctx.Err(), s.away()); err != nil {
			return err
		}
		if m := s.kept[at]; m.Seq != 0 {
			if err := fn(m); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *memory) Again(context.Context) <-chan struct{} { return nil }

// records hands on every record of a stream of pushes.
func (s *memory) records(fn func(record)) {
	for _, m := range s.kept {
		if m.Seq == 0 {
			continue
		}
		commit, records, err := wire.DecodeStored(m.Data)
		if err != nil {
			continue
		}
		for _, raw := range records {
			if r, err := events.DecodeRecord(raw); err == nil {
				fn(record{commit.Device, r.Seq, r.ID})
			}
		}
	}
}
