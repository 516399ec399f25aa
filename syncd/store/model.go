package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"sync"
	"sync/atomic"

	"modernc.org/sqlite"

	"ullage/events"
	"ullage/events/wire"
)

// model is one database file.
type model struct {
	path   string
	office func(events.DeviceID) bool
	write  *sql.DB // one connection
	read   *sql.DB // nil while the model is being built
	same   bool    // made by the present versions of the projections

	life context.Context // ends when another model has taken this one's place
	end  context.CancelFunc

	mu sync.Mutex // guards at
	at wire.Place

	unsound atomic.Bool // it has messages that the stream was found not to give any more

	pushes   *lru[uint64, []arrival] // read messages, which nobody changes
	register remembered
	erasures erasures

	// These are guarded by Store.mu.
	users   int          // who ask, or write
	retired bool         // nobody new will come
	after   func() error // what becomes of the file
}

// Weights of what is remembered, in records; a record takes about a kilobyte.
const (
	mostRead    = 50_000  // of messages read
	mostSettled = 200_000 // of machines' histories, which share memory with the former
	mostTracked = 50_000  // of the register's histories, likewise
)

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
//
// WAL with "normal" syncing may lose the last transactions in a power cut, never a part of one; the place goes back
// with them, and Follow reads them again.
func openModel(cfg Config, path string, bulk bool) (*model, error) {
	m := &model{path: path, office: cfg.Office, pushes: newLRU[uint64, []arrival](mostRead)}
	m.life, m.end = context.WithCancel(context.Background())
	pragmas := []string{"busy_timeout(10000)", "journal_mode(wal)", "synchronous(normal)", "cache_size(-32000)"}
	if bulk {
		pragmas = []string{"journal_mode(off)", "synchronous(off)", "locking_mode(exclusive)", "cache_size(-128000)"}
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) // its side files get the rights of the file that they find
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	if m.write, err = sql.Open("sqlite", dsn(path, "rwc", pragmas...)); err == nil {
		m.write.SetMaxOpenConns(1)
		err = m.prepare(bulk)
	}
	if err == nil && !bulk {
		// However many ask at once: somebody who exports asks again for each record, and must not wait for himself.
		if m.read, err = sql.Open("sqlite", dsn(path, "ro", "busy_timeout(10000)", "cache_size(-8000)")); err == nil {
			m.read.SetMaxIdleConns(8)
		}
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("read model %s: %w", path, err), m.close())
	}
	return m, nil
}

func dsn(path, mode string, pragmas ...string) string {
	q := url.Values{"_pragma": pragmas, "mode": {mode}}
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + q.Encode()
}

func (m *model) close() error {
	m.end()
	var err error
	if m.read != nil {
		err = m.read.Close()
	}
	if m.write != nil {
		err = errors.Join(err, m.write.Close())
	}
	return err
}

// finish makes a bulk model's indexes, closes it, and brings it to the disk.
func (m *model) finish() error {
	if _, err := m.write.Exec(indexes); err != nil {
		return fmt.Errorf("read model: indexes: %w", err)
	}
	if err := m.close(); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	f, err := os.Open(m.path)
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	return errors.Join(f.Sync(), f.Close())
}

// damaged tells whether an error says that a file is not, or not any more, a whole database.
func damaged(err error) bool {
	const corrupt, notADatabase = 11, 26 // SQLITE_CORRUPT, SQLITE_NOTADB
	var e *sqlite.Error
	return errors.As(err, &e) && (e.Code()&0xff == corrupt || e.Code()&0xff == notADatabase)
}
