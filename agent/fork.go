package agent

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// Where two copies of a device's folder both write, there are two histories under one name. The centre takes nothing
// more under it from either; what this copy holds it brings all the same, from where its chain parts from the centre's,
// and the office decides which branch stands. All of it stays here too.

// setOut brings this copy's branch to the centre, whose own chain ends as h says, and tells in the Stop's words how far
// it came.
func (s *session) setOut(ctx context.Context, h *wire.HelloAnswer, stop *Stop) *Stop {
	held, err := s.bringAll(ctx, h)
	switch {
	case errors.Is(err, journal.ErrGap): // what is damaged here is not at the centre either, and does not come back
		stop = &Stop{stop.Kind, fmt.Sprintf("%s. %d records of this copy are at the centre; what follows is damaged on this device's disk, or lies behind what is: keep the folder as it is", stop.Text, held)}
	case err != nil:
		s.cfg.Log.Warn("what this copy holds could not all be brought to the centre yet", "error", err)
		return &Stop{stop.Kind, fmt.Sprintf("%s. %d records of this copy are at the centre, set aside; the rest is tried again", stop.Text, held)}
	case held > 0:
		stop = &Stop{stop.Kind, fmt.Sprintf("%s. All that this copy holds is at the centre: %d records are set aside there, and the office decides", stop.Text, held)}
	}
	return s.moveOn(stop)
}

// bringAll brings what the centre has lost of the chain that it knows, and the branch.
func (s *session) bringAll(ctx context.Context, h *wire.HelloAnswer) (held uint64, err error) {
	if len(h.Want) > 0 {
		if s.had, err = receiptsOf(s.journal); err != nil {
			return 0, err
		}
	}
	for _, r := range h.Want {
		if err := s.again(ctx, r); err != nil {
			return 0, err
		}
	}
	return s.bringBranch(ctx, h)
}

// bringBranch brings what lies behind the parting, and returns how many records of it are at the centre now.
func (s *session) bringBranch(ctx context.Context, h *wire.HelloAnswer) (held uint64, err error) {
	parting, err := s.parting(ctx, h)
	if err != nil {
		return 0, err
	}
	at := max(parting, min(s.memory.get().Handed, s.journal.Head().Seq))
	if at > parting { // the centre may have lost it since
		switch _, a, err := s.bring(ctx, at-1, 1); {
		case err != nil:
			return 0, err
		case a.Status != wire.OK:
			at = parting
		}
	}
	for {
		p, a, err := s.bring(ctx, at, wire.MaxRecords)
		if err != nil || p == nil {
			return uint64(at - parting), err
		}
		if a.Status != wire.OK {
			return uint64(at - parting), unexpected(wire.Branch, a)
		}
		at = p.last
		if err := s.memory.change(func(r *remembered) { r.Handed = at }); err != nil {
			return uint64(at - parting), err
		}
		s.loop.progressed()
	}
}

// bring brings records behind at, as many as go at once and at most most; the first result is nil where there are none.
func (s *session) bring(ctx context.Context, at events.Seq, most int) (*prepared, wire.Answer, error) {
	p, err := s.pack(at, most)
	if err != nil || p == nil {
		return nil, wire.Answer{}, err
	}
	a, err := s.ask(ctx, wire.Branch, s.patience(p), p.build)
	return p, a, err
}

// parting is the last record that this device's chain and the centre's have in common. Behind the parting all records
// differ, since each has an id of its own: so it is found by asking for few of them.
func (s *session) parting(ctx context.Context, h *wire.HelloAnswer) (events.Seq, error) {
	same, most := events.Seq(0), min(s.journal.Head().Seq, h.Seq)
	if own, err := s.journal.LinkAt(most); err == nil && most == h.Seq && own == h.Link {
		return most, nil // the other copy is the one that parts
	}
	for same < most {
		half := same + (most-same+1)/2
		ours, err := s.journal.Record(half)
		if err != nil {
			return 0, fmt.Errorf("look for where the two part: %w", err)
		}
		q := wire.BackRequest{Range: wire.Range{From: half, To: half}}
		a, err := s.ask(ctx, wire.Back, s.cfg.Answer, func(string) []byte { return q.Encode() })
		if err != nil {
			return 0, err
		}
		if a.Status != wire.OK {
			return 0, unexpected(wire.Back, a)
		}
		b, err := wire.DecodeBackAnswer(a.Body)
		if err != nil {
			return 0, err
		}
		if b.First != half || len(b.Records) != 1 {
			return 0, fmt.Errorf("the centre does not show record %d, which it has", half)
		}
		if bytes.Equal(b.Records[0], ours) {
			same = half
		} else {
			most = half - 1
		}
	}
	return same, nil
}

// isFork tells whether err stops the conversation because there are two histories.
func isFork(err error) (*Stop, bool) {
	var stop *Stop
	fork := errors.As(err, &stop) && stop.Kind == StopFork
	return stop, fork
}
