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
	// Receipts hands on every receipt, in the order in which they came.
	Receipts(fn func(payload []byte) error) error
}

// Committer stores pushes of the office's device; the gate does.
type Committer func(ctx context.Context, q wire.PushRequest) (wire.Answer, error)

// RecorderConfig is what a Recorder works with. All of it must be set.
type RecorderConfig struct {
	Journal Journal
	Writer  *entry.Writer
	Seal    func(seq events.Seq, link events.Hash) events.Seal
	Commit  Committer
	Kept    func([]entry.Answer) error // hears of each call once its records are kept; what follows from them is done at once
	Log     *slog.Logger
}

// Recorder writes the office's records: first into its journal, and then, as any device does, through the gate.
//
// It never writes on a chain that the stream does not know: before the first record it makes sure that journal and
// stream end alike, for a journal that was put back from a backup would fork.
type Recorder struct {
	cfg         RecorderConfig
	wake        chan struct{} // something is kept that could not be sent
	least, most time.Duration // between two tries of Run

	mu    sync.Mutex // one push at a time; guards agree
	agree bool       // journal and stream were seen to end alike
}

// NewRecorder makes a recorder. Record works without Run, which sends later what could not be sent at once.
func NewRecorder(cfg RecorderConfig) *Recorder {
	return &Recorder{cfg: cfg, wake: make(chan struct{}, 1), least: time.Second, most: time.Minute}
}

// ErrApart is in the errors about a journal and a stream that do not hold the same chain. Nothing is recorded then.
var ErrApart = errors.New("the office's journal and the stream do not hold the same records")

// NotReceivedError says that the records of a call are kept in the office's journal and not received yet. They will be
// sent again without a hand; giving the lines once more would make them twice.
type NotReceivedError struct {
	Answers []entry.Answer
	Err     error
}

func (e *NotReceivedError) Error() string {
	return fmt.Sprintf("%d records are kept, and not received yet: %v; the centre goes on trying, do not give them again", len(e.Answers), e.Err)
}

func (e *NotReceivedError) Unwrap() error { return e.Err }

// pushTime bounds one push of the office's records, and the waiting for those before it.
const pushTime = 30 * time.Second

// Record writes the entry lines of one call and returns when they are received. A *NotReceivedError has their answers;
// after any other error nothing was recorded, but that a journal that has stopped writing may hold them.
func (r *Recorder) Record(ctx context.Context, lines io.Reader) ([]entry.Answer, error) {
	if err := r.agreed(ctx); err != nil {
		return nil, err
	}
	answers, err := r.cfg.Writer.Record(lines)
	if err != nil {
		return nil, err
	}
	// What is kept is sent, whether its sender still waits or not.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), pushTime)
	defer cancel()
	var done error
	if r.cfg.Kept != nil {
		done = r.cfg.Kept(answers)
	}
	if err := r.Push(ctx); err != nil {
		r.wakeUp()
		return nil, &NotReceivedError{answers, errors.Join(done, err)}
	}
	return answers, done
}

// agreed makes sure, once, that the journal may be written.
func (r *Recorder) agreed(ctx context.Context) error {
	r.mu.Lock()
	agree := r.agree
	r.mu.Unlock()
	if agree {
		return nil
	}
	return r.Push(ctx)
}

func (r *Recorder) wakeUp() {
	select {
	case r.wake <- struct{}{}:
	default: // it is awake
	}
}

// Try sends what is kept, and leaves to Run what cannot be sent now.
func (r *Recorder) Try() {
	ctx, cancel := context.WithTimeout(context.Background(), pushTime)
	defer cancel()
	if err := r.Push(ctx); err != nil {
		r.cfg.Log.Error("the office's records are kept and cannot be sent; the office cannot record until they can", "error", err)
		r.wakeUp()
	}
}

// Run sends, after a push that failed, what is kept, until it is received. It ends with ctx, and then returns nil.
func (r *Recorder) Run(ctx context.Context) error {
	for {
		select {
		case <-r.wake:
		case <-ctx.Done():
			return nil
		}
		for wait := r.least; ; wait = min(2*wait, r.most) {
			select {
			case <-time.After(wait):
			case <-ctx.Done():
				return nil
			}
			err := r.Push(ctx)
			if err == nil {
				r.cfg.Log.Info("the office's records are received again")
				break
			}
			r.cfg.Log.Error("the office's records are kept and cannot be sent; it is tried again", "error", err, "in", min(2*wait, r.most))
		}
	}
}

// Push brings everything that is kept to the stream. Where the stream has lost what it had received, that goes again first.
func (r *Recorder) Push(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	received, err := r.cfg.Journal.Receipted()
	if err != nil {
		return err
	}
	stuck := 0
	for next := received + 1; ; {
		head := r.cfg.Journal.Head()
		before := next
		switch {
		case next <= head.Seq:
			next, err = r.push(ctx, next, head.Seq)
		case !r.agree:
			next, err = r.compare(ctx, head)
			r.agree = err == nil && next == head.Seq+1
		default:
			return nil
		}
		if err != nil {
			return err
		}
		if next < before {
			r.cfg.Log.Error("the stream has lost records of the office that it had received; they are sent again", "from", next, "to", before-1)
			r.agree = false
		}
		if stuck++; next > before {
			stuck = 0
		} else if stuck > mostStuck {
			return fmt.Errorf("push the office's records: the stream stays at %d", next-1)
		}
	}
}

// mostStuck is how often a push may bring the stream no further: others of the office's device would have to be at it.
const mostStuck = 5

// Again sends ranges that the stream has lost, from before its end.
func (r *Recorder) Again(ctx context.Context, ranges wire.Ranges) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	head := r.cfg.Journal.Head()
	for _, lost := range ranges {
		for next := lost.From; next <= min(lost.To, head.Seq); {
			q, last, err := r.build(next, min(lost.To, head.Seq))
			if err != nil {
				return err
			}
			a, err := r.cfg.Commit(ctx, q)
			if err != nil {
				return err
			}
			if a.Status == wire.Elsewhere { // it is there, or behind the end, where the next push begins
				r.agree = false
				break
			}
			if a.Status != wire.OK {
				return fmt.Errorf("record %d of the office: %s: %s", max(a.At, next), a.Status, a.Reason)
			}
			next = last + 1
		}
	}
	return nil
}

// compare asks whether the stream ends where the journal does, by a push of nothing: that is refused for having
// nothing in it only where its place in the chain is right. It returns the number behind the stream's end.
func (r *Recorder) compare(ctx context.Context, head events.Head) (events.Seq, error) {
	a, err := r.cfg.Commit(ctx, wire.PushRequest{First: head.Seq + 1, Link: head.Link, Data: wire.Squeeze(nil)})
	if err != nil {
		return 0, err
	}
	switch a.Status {
	case wire.Refused:
		return head.Seq + 1, nil
	case wire.Elsewhere:
		return r.receipt(a.Body)
	}
	return 0, fmt.Errorf("%w: %s", ErrApart, a.Reason)
}

var errFull = errors.New("the push is full")

// push sends records from first on, at most up to a number, and returns the number behind the stream's end.
func (r *Recorder) push(ctx context.Context, first, upto events.Seq) (events.Seq, error) {
	q, _, err := r.build(first, upto)
	if err != nil {
		return 0, err
	}
	a, err := r.cfg.Commit(ctx, q)
	if err != nil {
		return 0, err
	}
	switch a.Status {
	case wire.OK, wire.Elsewhere:
		return r.receipt(a.Body)
	case wire.Fork:
		return 0, fmt.Errorf("%w: %s", ErrApart, a.Reason)
	}
	return 0, fmt.Errorf("record %d of the office: %s: %s", max(a.At, first), a.Status, a.Reason)
}

// build makes the push of records from first on, at most up to a number, with the receipt that they have had.
func (r *Recorder) build(first, upto events.Seq) (q wire.PushRequest, last events.Seq, err error) {
	received, err := r.cfg.Journal.Receipted()
	if err != nil {
		return q, 0, err
	}
	if first <= received {
		if upto, q.Original, err = r.covering(first, upto); err != nil {
			return q, 0, err
		}
	}
	var list []byte
	last = first - 1
	err = r.cfg.Journal.Scan(first, func(seq events.Seq, record []byte) error {
		if n := seq - first; seq > upto || n == wire.MaxRecords || n > 0 && len(list)+len(record) > wire.MaxFrame/2 {
			return errFull
		}
		list, last = wire.AppendPiece(list, record), seq
		return nil
	})
	if err != nil && !errors.Is(err, errFull) {
		return q, 0, err
	}
	if q.Link, err = r.cfg.Journal.LinkAt(first - 1); err != nil {
		return q, 0, err
	}
	link, err := r.cfg.Journal.LinkAt(last)
	if err != nil {
		return q, 0, err
	}
	q.First, q.Seals, q.Data = first, []events.Seal{r.cfg.Seal(last, link)}, wire.Squeeze(list)
	return q, last, nil
}

// covering is the first receipt for a record, and how far it goes, at most up to a number.
func (r *Recorder) covering(seq, upto events.Seq) (events.Seq, []byte, error) {
	var found []byte
	err := r.cfg.Journal.Receipts(func(payload []byte) error {
		x, err := wire.DecodeReceipt(payload)
		if err == nil && found == nil && x.First <= seq && seq <= x.Last {
			found, upto = bytes.Clone(payload), min(upto, x.Last)
		}
		return nil
	})
	return upto, found, err
}

// receipt keeps the receipt of an answer, once its link is the journal's own and where it goes further than what is kept. It
// returns the number behind the stream's end.
func (r *Recorder) receipt(body []byte) (events.Seq, error) {
	a, err := wire.DecodePushAnswer(body)
	if err != nil {
		return 0, err
	}
	if head := r.cfg.Journal.Head().Seq; a.Seq > head {
		return 0, fmt.Errorf("%w: the stream has %d of the office, its journal %d; put a newer journal back", ErrApart, a.Seq, head)
	}
	link, err := r.cfg.Journal.LinkAt(a.Seq)
	if err != nil {
		return 0, err
	}
	if !bytes.Equal(link[:], a.Link[:]) {
		return 0, fmt.Errorf("%w: record %d of the office is another one in the stream", ErrApart, a.Seq)
	}
	received, err := r.cfg.Journal.Receipted()
	if err == nil && a.Seq > received {
		err = r.cfg.Journal.Receipt(a.Receipt)
	}
	return a.Seq + 1, err
}
