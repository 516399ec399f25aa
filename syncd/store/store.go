// Package store is the read model of the centre: RECORDS once more, on disk, in a form that can be asked questions. It
// is disposable. Nothing stands in it that does not come from the stream, and it can be deleted at any time.
//
// It keeps the bytes of every message as they are, and beside them, for each history that records belong to (a
// machine, a visit, a vessel, …), which records of which message do. A question loads a history and folds it; the
// folds are those of package projections. What somebody may have acted on (the settled results of each projection) is
// kept as rows, and when a message that comes late changes one, that is written down as a restatement.
//
// One goroutine writes: Follow reads RECORDS in its order and puts each message, its rows and its place into one
// transaction. A place is a sequence, the hash of what stands there, and the creation of the stream; one that does not
// hold any more means that the stream is not what it was, and the model is built anew from the stream. A new version
// of a projection is built beside the old one, which answers until the new one has caught up.
package store

import (
	"container/list"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"ullage/events"
	"ullage/events/wire"
)

// ErrNotThere is returned for a question about something that has no record.
var ErrNotThere = errors.New("there is no record of it")

// Config is what a store works with.
type Config struct {
	Dir    string                     // folder of the model; made where it is missing
	Office func(events.DeviceID) bool // tells the office's devices from others
	Log    *slog.Logger
}

// Store is an open read model. Its methods may be called at any time by any number of callers.
type Store struct {
	cfg Config

	mu      sync.Mutex
	model   *model        // that answers
	changed chan struct{} // closed, and made anew, when the model's place moves
}

// Open opens the model in cfg.Dir, or begins one. A model that was made by other versions of the projections goes on
// answering until Follow has built the new one beside it.
func Open(cfg Config) (*Store, error) {
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	m, err := openModel(filepath.Join(cfg.Dir, modelFile), cfg.Office, false)
	if err != nil {
		// Nothing in it is worth a repair: it comes from the stream.
		cfg.Log.Warn("the read model cannot be read and is built anew", "error", err)
		if err := removeModel(filepath.Join(cfg.Dir, modelFile)); err != nil {
			return nil, err
		}
		if m, err = openModel(filepath.Join(cfg.Dir, modelFile), cfg.Office, false); err != nil {
			return nil, err
		}
	}
	return &Store{cfg: cfg, model: m, changed: make(chan struct{})}, nil
}

// Close closes the model; Follow must have ended.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.model.close()
}

// Place is how far the model has come.
func (s *Store) Place() wire.Place { return s.current().place() }

func (s *Store) current() *model {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.model
}

// Wait returns when the model holds what stood in the stream up to sequence seq, or with ctx's error.
func (s *Store) Wait(ctx context.Context, seq uint64) error {
	for {
		s.mu.Lock()
		at, changed := s.model.place().Seq, s.changed
		s.mu.Unlock()
		if at >= seq {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("the read model stands at message %d of %d: %w", at, seq, context.Cause(ctx))
		}
	}
}

// moved tells those who Wait.
func (s *Store) moved() {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.changed)
	s.changed = make(chan struct{})
}

// swap puts a finished model in the place of the present one.
func (s *Store) swap(m *model) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	old := s.model
	path := filepath.Join(s.cfg.Dir, modelFile)
	building := m.path
	if err := m.close(); err != nil {
		return fmt.Errorf("read model: close the new one: %w", err)
	}
	if err := old.close(); err != nil {
		s.cfg.Log.Warn("close the old read model", "error", err)
	}
	if err := removeModel(path); err != nil {
		return err
	}
	if err := os.Rename(building, path); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	fresh, err := openModel(path, s.cfg.Office, false)
	if err != nil {
		return err
	}
	s.model = fresh
	close(s.changed)
	s.changed = make(chan struct{})
	return nil
}

const modelFile = "model.db"

// model is one database file.
type model struct {
	path   string
	office func(events.DeviceID) bool
	write  *sql.DB // one connection
	read   *sql.DB
	same   bool // made by the present versions of the projections
	gate   sync.RWMutex

	mu sync.Mutex // guards at
	at wire.Place

	pushes *lru[uint64, []arrival]
}

func (m *model) place() wire.Place {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.at
}

func (m *model) setPlace(p wire.Place) {
	m.mu.Lock()
	m.at = p
	m.mu.Unlock()
}

// openModel opens or makes a database file. A bulk model is one that is being built: nobody reads it, and a crash
// throws it away, so it is not synced until it is finished.
func openModel(path string, office func(events.DeviceID) bool, bulk bool) (*model, error) {
	// WAL with "normal" syncing may lose the last transactions in a power cut, never a part of one; the place goes back
	// with them, and Follow reads them again.
	pragmas := url.Values{"_pragma": {"busy_timeout(10000)", "journal_mode(wal)", "synchronous(normal)", "foreign_keys(0)", "cache_size(-32000)"}, "_txlock": {"immediate"}}
	if bulk {
		pragmas["_pragma"] = []string{"journal_mode(off)", "synchronous(off)", "locking_mode(exclusive)", "cache_size(-128000)"}
	}
	dsn := "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + pragmas.Encode()
	m := &model{path: path, office: office, pushes: newLRU[uint64, []arrival](100_000)}
	var err error
	if m.write, err = sql.Open("sqlite", dsn); err != nil {
		return nil, fmt.Errorf("read model %s: %w", path, err)
	}
	m.write.SetMaxOpenConns(1)
	m.read = m.write
	if !bulk {
		if m.read, err = sql.Open("sqlite", dsn+"&mode=ro"); err != nil {
			return nil, errors.Join(fmt.Errorf("read model %s: %w", path, err), m.write.Close())
		}
		m.read.SetMaxOpenConns(2 * runtime.GOMAXPROCS(0))
	}
	if err := m.prepare(); err != nil {
		return nil, errors.Join(fmt.Errorf("read model %s: %w", path, err), m.close())
	}
	return m, nil
}

func (m *model) close() error {
	m.gate.Lock() // until the last question is answered
	defer m.gate.Unlock()
	err := m.write.Close()
	if m.read != m.write {
		err = errors.Join(m.read.Close(), err)
	}
	return err
}

func removeModel(path string) error {
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("read model: %w", err)
		}
	}
	return nil
}

// lru keeps what was used last, up to a weight.
type lru[K comparable, V any] struct {
	mu     sync.Mutex
	most   int
	weight int
	order  *list.List // front: used last
	items  map[K]*list.Element
}

type lruItem[K comparable, V any] struct {
	key    K
	value  V
	weight int
}

func newLRU[K comparable, V any](most int) *lru[K, V] {
	return &lru[K, V]{most: most, order: list.New(), items: map[K]*list.Element{}}
}

func (c *lru[K, V]) get(k K) (V, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.items[k]
	if !ok {
		var none V
		return none, false
	}
	c.order.MoveToFront(e)
	return e.Value.(*lruItem[K, V]).value, true
}

func (c *lru[K, V]) put(k K, v V, weight int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.items[k]; ok {
		c.remove(e)
	}
	c.items[k] = c.order.PushFront(&lruItem[K, V]{k, v, weight})
	c.weight += weight
	for c.weight > c.most && c.order.Len() > 1 {
		c.remove(c.order.Back())
	}
}

func (c *lru[K, V]) remove(e *list.Element) {
	item := c.order.Remove(e).(*lruItem[K, V])
	delete(c.items, item.key)
	c.weight -= item.weight
}

func (c *lru[K, V]) drop(k K) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.items[k]; ok {
		c.remove(e)
	}
}
