package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// engine writes messages into a model, each with what follows from it. One works on a model at a time.
type engine struct {
	reader // within its transaction
	log    *slog.Logger
	conn   *sql.Conn // the model's writing connection
	ready  map[string]*sql.Stmt
	seq    uint64     // of the last message that was entered
	most   int        // machines that are settled side by side
	db     sync.Mutex // held by those who read while machines are settled side by side
	memory
}

// memory is what an engine remembers of the tables. It is worth nothing after a transaction that came to nothing.
type memory struct {
	last     map[events.DeviceID]events.Seq   // the greatest number of a device
	machines *lru[events.MachineID, *settled] // as the last message left them
	tracks   *lru[projections.Key, *track]    // histories of the register's entries
	forks    map[events.DeviceID]events.Seq   // from where a device has branches; 0 where it has none
}

func newEngine(m *model, log *slog.Logger) (*engine, error) {
	conn, err := m.write.Conn(context.Background())
	if err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	e := &engine{log: log, conn: conn, ready: map[string]*sql.Stmt{}, most: runtime.GOMAXPROCS(0)}
	e.reader = reader{m: m, q: e, ctx: context.Background()}
	e.forget()
	return e, nil
}

func (e *engine) close() error {
	var err error
	for _, s := range e.ready {
		err = errors.Join(err, s.Close())
	}
	return errors.Join(err, e.conn.Close())
}

func (e *engine) forget() {
	e.seq = e.m.place().Seq
	e.memory = memory{
		last:     map[events.DeviceID]events.Seq{},
		machines: newLRU[events.MachineID, *settled](mostSettled),
		tracks:   newLRU[projections.Key, *track](mostTracked),
		forks:    map[events.DeviceID]events.Seq{},
	}
}

// statement prepares a query once.
func (e *engine) statement(query string) (*sql.Stmt, error) {
	if s, ok := e.ready[query]; ok {
		return s, nil
	}
	s, err := e.conn.PrepareContext(context.Background(), query)
	if err == nil {
		e.ready[query] = s
	}
	return s, err
}

func (e *engine) exec(query string, args ...any) error {
	s, err := e.statement(query)
	if err != nil {
		return err
	}
	_, err = s.Exec(args...)
	return err
}

// QueryContext makes an engine a querier.
func (e *engine) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	s, err := e.statement(query)
	if err != nil {
		return nil, err
	}
	return s.QueryContext(ctx, args...)
}

// apply writes messages, in the order of the stream, in one transaction: all or none.
func (e *engine) apply(messages []*message) (err error) {
	e.own = map[uint64][]arrival{}
	if err := e.exec(`BEGIN IMMEDIATE`); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	defer func() {
		if err != nil {
			e.own = nil
			e.forget()
			err = errors.Join(err, e.exec(`ROLLBACK`))
		}
	}()
	var changes []*change
	for _, msg := range messages {
		c, err := e.enter(msg)
		if err != nil {
			return fmt.Errorf("read model: message %d: %w", msg.place.Seq, err)
		}
		changes = append(changes, c)
	}
	if e.m.same { // else the results are another version's, until its own model is built
		if err := e.settle(changes); err != nil {
			return fmt.Errorf("read model: messages %d to %d: %w", messages[0].place.Seq, e.seq, err)
		}
	}
	last := messages[len(messages)-1].place
	if err := e.exec(`INSERT OR REPLACE INTO meta VALUES('seq', ?), ('hash', ?), ('created', ?)`, int64(last.Seq), last.Hash[:], last.Created); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	if err := e.exec(`COMMIT`); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	for seq, arrivals := range e.own {
		e.m.pushes.put(seq, arrivals, len(arrivals))
	}
	e.own = nil
	e.m.setPlace(last)
	return nil
}

// unread notes what of the stream cannot be entered, and goes on behind it.
func (e *engine) unread(first, last uint64, why string, data []byte) error {
	e.log.Error("the read model passes over what it cannot read", "stream", wire.Records.Name, "first", first, "last", last, "why", why)
	return e.exec(`INSERT OR REPLACE INTO unread VALUES(?, ?, ?, ?)`, int64(first), int64(last), why, data)
}
