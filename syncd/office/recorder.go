package office

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

// Journal is the office's own log on disk, of which each centre has one, apart from the broker's files.
type Journal interface {
	entry.Appender
	entry.Lookup // of the office's own records
	Head() events.Head
	// Scan hands on the records from a number on, in order, until fn returns an error, which it returns.
	Scan(from events.Seq, fn func(seq events.Seq, record []byte) error) error
	LinkAt(events.Seq) (events.Hash, error)
	// Receipted is the number of the last record with a receipt.
	Receipted() (events.Seq, error)
	// Receipt keeps a receipt.
	Receipt(payload []byte) error
}

// Committer stores pushes of the office's device; the gate does.
type Committer func(ctx context.Context, q wire.PushRequest) (wire.Answer, error)

// Recorder writes the office's records: first into its journal, and then, as any device does, through the gate.
type Recorder struct {
	Journal Journal
	Writer  *entry.Writer
	Seal    func(seq events.Seq, link events.Hash) events.Seal
	Commit  Committer
	Log     *slog.Logger

	mu sync.Mutex // one push at a time
}

// Record writes the entry lines of one call and returns when they are received.
func (r *Recorder) Record(ctx context.Context, lines io.Reader) ([]entry.Answer, error) {
	answers, err := r.Writer.Record(lines)
	if err != nil {
		return nil, err
	}
	if err := r.Push(ctx); err != nil {
		return nil, fmt.Errorf("the records are kept, but not received yet: %w", err)
	}
	return answers, nil
}

// Push brings everything that is kept to the stream.
func (r *Recorder) Push(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for {
		received, err := r.Journal.Receipted()
		if err != nil {
			return err
		}
		if received >= r.Journal.Head().Seq {
			return nil
		}
		if err := r.push(ctx, received+1); err != nil {
			return err
		}
	}
}

var errFull = errors.New("the push is full")

func (r *Recorder) push(ctx context.Context, first events.Seq) error {
	var list []byte
	last := first - 1
	err := r.Journal.Scan(first, func(seq events.Seq, record []byte) error {
		if n := seq - first; n == wire.MaxRecords || n > 0 && len(list)+len(record) > wire.MaxFrame/2 {
			return errFull
		}
		list, last = wire.AppendPiece(list, record), seq
		return nil
	})
	if err != nil && !errors.Is(err, errFull) {
		return err
	}
	before, err := r.Journal.LinkAt(first - 1)
	if err != nil {
		return err
	}
	link, err := r.Journal.LinkAt(last)
	if err != nil {
		return err
	}
	a, err := r.Commit(ctx, wire.PushRequest{First: first, Link: before, Seals: []events.Seal{r.Seal(last, link)}, Data: wire.Squeeze(list)})
	if err != nil {
		return err
	}
	switch a.Status {
	case wire.OK, wire.Elsewhere:
		return r.receipt(first, a.Body)
	case wire.Busy:
		select {
		case <-time.After(time.Duration(a.Wait) * time.Millisecond):
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return fmt.Errorf("record %d of the office: %s: %s", max(a.At, first), a.Status, a.Reason)
}

// receipt keeps the receipt of an answer, once its link is the journal's own.
func (r *Recorder) receipt(first events.Seq, body []byte) error {
	a, err := wire.DecodePushAnswer(body)
	if err != nil {
		return err
	}
	if a.Seq < first {
		return fmt.Errorf("the stream holds the office's records up to %d only, and %d are receipted: it is not what it was", a.Seq, first-1)
	}
	if a.Seq > r.Journal.Head().Seq {
		return fmt.Errorf("the stream holds %d records of the office, its journal %d: the journal is not what it was", a.Seq, r.Journal.Head().Seq)
	}
	link, err := r.Journal.LinkAt(a.Seq)
	if err != nil {
		return err
	}
	if !bytes.Equal(link[:], a.Link[:]) {
		return fmt.Errorf("record %d of the office is another one in the stream", a.Seq)
	}
	return r.Journal.Receipt(a.Receipt)
}
