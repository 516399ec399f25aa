package store

import (
	"context"
	"errors"
	"fmt"
	"os"

	"ullage/syncd/stream"
)

// errElsewhere ends a turn of Follow: the stream or the model is another one now.
var errElsewhere = errors.New("the place does not hold any more")

// Follow keeps the model up with the stream until ctx ends; then it returns nil. It builds a new model beside the
// present one where that was made by other versions of the projections, and in its place where it stands at a place
// that does not hold, or is damaged. It looks at its place at the start and every minute; at the start of each turn, and so
// after the stream was away.
func (s *Store) Follow(ctx context.Context, src stream.Stream) error {
	for first := true; ; first = false {
		err := s.turn(ctx, src, first)
		if damaged(err) {
			s.cfg.Log.Error("the read model is damaged, and is built anew", "error", err)
			s.found(false)
			err = s.rebuild(ctx, src, nil)
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !errors.Is(err, errElsewhere):
			return err
		}
	}
}

// CatchUp takes in what the stream holds now, for whoever does not call Follow.
func (s *Store) CatchUp(ctx context.Context, src stream.Stream) error {
	m, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	at, holds, err := s.look(ctx, src, m)
	switch {
	case err != nil:
		return err
	case !holds || !m.same:
		return s.rebuild(ctx, src, nil)
	}
	return s.write(ctx, src, m, at.Last, s.moved)
}

// look compares a model's place with the stream.
func (s *Store) look(ctx context.Context, src stream.Stream, m *model) (at stream.State, holds bool, err error) {
	if at, err = src.State(ctx); err != nil {
		return at, false, err
	}
	if holds, err = m.holds(ctx, src); err != nil {
		return at, false, err
	}
	s.found(holds)
	return at, holds, s.cover(ctx, src, m.place().Seq, at.Last)
}

// turn follows for as long as the model and its place stay what they are. In the first turn, an empty model is built at
// once, which is faster.
func (s *Store) turn(ctx context.Context, src stream.Stream, first bool) error {
	m, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	at, holds, err := s.look(ctx, src, m)
	place := m.place()
	switch {
	case err != nil:
		return err
	case !holds:
		s.cfg.Log.Error("the read model stands at a place that the stream does not have, and is built anew", "message", place.Seq, "hash", place.Hash)
		return s.rebuild(ctx, src, nil)
	case first && place.IsZero() && at.Last > 0:
		return s.rebuild(ctx, src, nil)
	case !m.same:
		s.cfg.Log.Info("the read model was made by other versions, and is built anew beside")
		return s.beside(ctx, src, m)
	}
	return s.follow(ctx, src, m)
}

// cover notes that the stream has nothing to read between a place and its last sequence: whoever waits for that has it.
func (s *Store) cover(ctx context.Context, src stream.Stream, place, last uint64) error {
	if place >= last {
		return nil
	}
	more, err := stream.More(ctx, src, place)
	if err == nil && !more {
		s.cfg.Log.Error("the stream counts messages that it cannot read", "first", place+1, "last", last)
		s.mu.Lock()
		s.covered = last
		s.wake()
		s.mu.Unlock()
	}
	return err
}

// holds tells whether a model stands at a place that the stream has, and the stream has all before it.
func (m *model) holds(ctx context.Context, src stream.Stream) (bool, error) {
	holds, err := stream.Holds(ctx, src, m.place())
	if err != nil || !holds || m.unsound.Load() {
		return false, err
	}
	return m.whole(ctx, src)
}

// follow writes what comes into a model, until it is another one's turn.
func (s *Store) follow(ctx context.Context, src stream.Stream, m *model) error {
	e, err := newEngine(m, s.cfg.Log)
	if err != nil {
		return err
	}
	defer e.close()
	// Whoever pushes has the other half of the machine: with all of it taken, every step of a push waits its turn.
	e.most = max(1, e.most/2)
	reading, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(m.life, cancel)()
	err = each(reading, src, m.place().Seq, stream.Forever, m.office, func(batch []*message) error {
		if err := e.apply(batch); err != nil {
			return err
		}
		s.moved()
		return nil
	}, func() error {
		holds, err := m.holds(reading, src)
		if err == nil && !holds {
			err = errElsewhere
		}
		return err
	}, s.doubted)
	if m.life.Err() != nil {
		return errElsewhere
	}
	return err
}

// beside builds a new model while the present one goes on: what it answers from, the records, it can still take.
func (s *Store) beside(ctx context.Context, src stream.Stream, m *model) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	built := make(chan error, 1)
	go func() {
		err := s.rebuild(ctx, src, nil)
		if err != nil {
			cancel() // the present one must not go on for ever without it
		}
		built <- err
	}()
	err := s.follow(ctx, src, m) // until it is retired
	if err != nil && !errors.Is(err, errElsewhere) {
		s.cfg.Log.Warn("the read model stands still while a new one is built", "error", err)
	}
	return <-built
}

// Rebuild builds a new model from the whole stream, beside the present one, and swaps it in. progress, where it is not
// nil, hears now and then how many of how many messages are done.
func (s *Store) Rebuild(ctx context.Context, src stream.Stream, progress func(done, of uint64)) error {
	m, done, err := s.use()
	if err != nil {
		return err
	}
	holds, err := m.holds(ctx, src)
	done()
	if err != nil {
		return err
	}
	s.found(holds)
	return s.rebuild(ctx, src, progress)
}

func (s *Store) rebuild(ctx context.Context, src stream.Stream, progress func(done, of uint64)) error {
	s.building.Lock()
	defer s.building.Unlock()
	m, err := s.build(ctx, src, progress)
	if err != nil {
		return err
	}
	swapped, err := s.swap(m)
	for err == nil && !swapped {
		// The present model has gone on meanwhile.
		if err = s.catchUp(ctx, src, m); err == nil {
			swapped, err = s.swap(m)
		}
	}
	if err != nil {
		return errors.Join(err, m.close(), removeModel(m.path))
	}
	return nil
}

// build makes a new model up to what is the stream's end at the start, under a path of its own.
func (s *Store) build(ctx context.Context, src stream.Stream, progress func(done, of uint64)) (_ *model, err error) {
	path := buildingPath(s.cfg.Dir)
	if err := removeModel(path); err != nil {
		return nil, err
	}
	m, err := openModel(s.cfg, path, true)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, m.close(), removeModel(path))
		}
	}()
	at, err := src.State(ctx)
	if err != nil {
		return nil, err
	}
	err = s.write(ctx, src, m, at.Last, func() {
		if progress != nil {
			progress(m.place().Seq, at.Last)
		}
	})
	if err == nil {
		err = m.finish()
	}
	if err != nil {
		return nil, err
	}
	_, free, err := numbers(s.cfg.Dir)
	if err != nil {
		return nil, err
	}
	finished := modelPath(s.cfg.Dir, free)
	if err := os.Rename(path, finished); err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	return openModel(s.cfg, finished, false)
}

func (s *Store) catchUp(ctx context.Context, src stream.Stream, m *model) error {
	at, err := src.State(ctx)
	if err != nil {
		return err
	}
	return s.write(ctx, src, m, at.Last, func() {})
}

// write brings a model up to a message of the stream.
func (s *Store) write(ctx context.Context, src stream.Stream, m *model, last uint64, wrote func()) error {
	if last <= m.place().Seq {
		return nil
	}
	e, err := newEngine(m, s.cfg.Log)
	if err != nil {
		return err
	}
	defer e.close()
	return each(ctx, src, m.place().Seq, last, m.office, func(batch []*message) error {
		if err := e.apply(batch); err != nil {
			return err
		}
		wrote()
		return nil
	}, nil, nil)
}
