// Package store is the read model of the centre: RECORDS once more, on disk, in a form that can be asked questions. It
// is disposable. Nothing stands in it that does not come from the stream, and it can be deleted at any time.
//
// It keeps the bytes of every message as they are, and beside them, for each history that records belong to (a
// machine, a visit, a vessel, …), which records of which message do, and since which message: a correction can bring a
// record into a history long after it arrived. A question loads a history and folds it; the folds are those of package
// projections. Results are not kept, for they follow from the histories; but when a message changes one that was there
// before, which somebody may have acted on, that is written down as a restatement.
//
// One goroutine writes: Follow reads RECORDS in its order and puts each message, its rows and its place into one
// transaction. A place is a sequence, the hash of what stands there, and the creation of the stream; one that does not
// hold any more means that the stream is not what it was, and the model is built anew from the stream. A new version
// of a projection is built beside the old model, which answers, and goes on, until the new one has caught up.
//
// What cannot be read stops nothing: a message that does not decode, or that is missing in the stream, is passed over,
// told in the log and listed by Unread, and read again by whichever later version can.
//
// In the folder:
//
//	model-<n>.db   the model; the greatest n counts
//	building.db    one that is being built; worth nothing until it is done
//	aside-<n>.db   one that the stream or the disk has left behind; healing may still want its records
package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"

	"ullage/events"
	"ullage/events/wire"
)

// Sentinels of questions.
var (
	ErrNotThere = errors.New("there is no record of it")
	ErrClosed   = errors.New("the read model is closed")
)

// Config is what a store works with.
type Config struct {
	Dir    string                     // folder of the model; made where it is missing
	Office func(events.DeviceID) bool // tells the office's devices from others
	Log    *slog.Logger
}

// Store is an open read model. Its methods may be called at any time by any number of callers.
type Store struct {
	cfg Config

	building sync.Mutex    // one is built at a time
	doubted  chan struct{} // the model was found to have what the stream cannot give

	mu      sync.Mutex // guards what follows, and users, retired and after of each model
	model   *model     // that answers; nil once closed
	holds   bool       // its place was found to hold; until then nobody can say what it lacks
	covered uint64     // up to where the stream has nothing more to read, though it counts more
	changed chan struct{}
	open    sync.WaitGroup // models
}

// Open opens the model in cfg.Dir, or begins one. A model that was made by other versions of the projections goes on
// answering until Follow has built the new one beside it. One that cannot be read is set aside: it comes from the
// stream, so nothing in it is worth a repair.
func Open(cfg Config) (*Store, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	newest, free, err := numbers(cfg.Dir)
	if err != nil {
		return nil, err
	}
	if err := tidy(cfg.Dir, newest); err != nil {
		return nil, err
	}
	var m *model
	if newest > 0 {
		m, err = openModel(cfg, modelPath(cfg.Dir, newest), false)
		if errors.Is(err, errSchema) || damaged(err) {
			cfg.Log.Warn("the read model cannot be read, and is built anew", "error", err)
			if err := setAside(cfg.Dir, newest); err != nil {
				return nil, err
			}
			newest, err = 0, nil
		}
	}
	if newest == 0 {
		m, err = openModel(cfg, modelPath(cfg.Dir, free), false)
	}
	if err != nil {
		return nil, err
	}
	s := &Store{cfg: cfg, model: m, changed: make(chan struct{}), doubted: make(chan struct{}, 1)}
	s.open.Add(1)
	return s, nil
}

// Close closes the model, once the last question is answered; Follow must have ended.
func (s *Store) Close() error {
	s.mu.Lock()
	m := s.model
	s.model = nil
	s.mu.Unlock()
	if m != nil {
		s.retire(m, func() error { return nil })
	}
	s.open.Wait()
	return nil
}

// use takes hold of the model that answers, which stays open until done is called.
func (s *Store) use() (m *model, done func(), err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.model == nil {
		return nil, nil, ErrClosed
	}
	m = s.model
	m.users++
	return m, func() { s.leave(m) }, nil
}

func (s *Store) leave(m *model) {
	s.mu.Lock()
	m.users--
	last := m.retired && m.users == 0
	s.mu.Unlock()
	if last {
		s.shut(m)
	}
}

// retire takes a model out of use: whoever leaves it last closes it. after says what then becomes of its file.
func (s *Store) retire(m *model, after func() error) {
	s.mu.Lock()
	m.retired, m.after = true, after
	m.end()
	last := m.users == 0
	s.mu.Unlock()
	if last {
		s.shut(m)
	}
}

func (s *Store) shut(m *model) {
	defer s.open.Done()
	if err := errors.Join(m.close(), m.after()); err != nil {
		s.cfg.Log.Warn("close a read model", "file", m.path, "error", err)
	}
}

// swap puts a model in the place of the present one, unless that is ahead of it: what was answered once is answered
// for ever.
func (s *Store) swap(m *model) (swapped bool, err error) {
	s.mu.Lock()
	old := s.model
	if old == nil || s.holds && old.place().Seq > m.place().Seq {
		s.mu.Unlock()
		if old == nil {
			err = ErrClosed
		}
		return false, err
	}
	held := s.holds
	s.model, s.holds = m, true
	s.open.Add(1)
	s.wake()
	s.mu.Unlock()
	s.retire(old, func() error {
		if held || old.place().IsZero() {
			return removeModel(old.path)
		}
		return setAside(s.cfg.Dir, numberOf(old.path))
	})
	return true, nil
}

// wake tells those who Wait. s.mu is held.
func (s *Store) wake() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// found notes whether the place of the model holds. One that Scrub has found unsound does not, whoever looked before that.
func (s *Store) found(holds bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.holds = holds && (s.model == nil || !s.model.unsound.Load())
	s.wake()
}

func (s *Store) moved() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wake()
}

// Place is how far the model has come.
func (s *Store) Place() wire.Place {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.model == nil {
		return wire.Place{}
	}
	return s.model.place()
}

// Wait returns when the model holds what stood in the stream up to sequence seq, or with ctx's error. It takes Follow
// or Rebuild to find out whether the model is of this stream at all.
func (s *Store) Wait(ctx context.Context, seq uint64) error {
	for {
		s.mu.Lock()
		if s.model == nil {
			s.mu.Unlock()
			return ErrClosed
		}
		at, covered, holds, changed := s.model.place().Seq, s.covered, s.holds, s.changed
		s.mu.Unlock()
		if holds && max(at, covered) >= seq {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("the read model stands at message %d of %d: %w", at, seq, context.Cause(ctx))
		}
	}
}
