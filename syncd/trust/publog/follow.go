package publog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"ullage/events/checkpoint"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

const (
	leastWait = 50 * time.Millisecond // before a broken turn is begun again
	mostWait  = 10 * time.Second

	noteEvery = 5 * time.Second // how often the newest checkpoint is noted beside the key

	read = 256 // messages that are read ahead of what is written
)

// Run follows RECORDS until ctx ends; then it returns nil. Trouble with the broker is logged, and gone about again; an
// error is about the centre's own disk.
func (l *Log) Run(ctx context.Context) error {
	wait := leastWait
	for {
		began := time.Now()
		err := l.turn(ctx)
		l.mu.Lock()
		l.covered = 0
		l.mu.Unlock()
		switch {
		case ctx.Err() != nil:
			return l.remember()
		case errors.Is(err, errDisk):
			return err
		case time.Since(began) > mostWait:
			wait = leastWait
		}
		if errors.Is(err, errElsewhere) {
			l.cfg.Log.Info("the public log looks for its place", "why", err)
		} else {
			l.cfg.Log.Error("the public log does not keep up; it is tried again", "error", err, "in", wait)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
		wait = min(2*wait, mostWait)
	}
}

// CatchUp takes in what RECORDS holds now, for whoever does not call Run. Its errors are those of the streams and of the disk;
// a log that has stopped takes nothing in.
func (l *Log) CatchUp(ctx context.Context) error {
	for {
		err := l.start(ctx)
		if err == nil && l.frozen == nil {
			l.target = l.at.Seq
			err = l.tell()
		}
		if !errors.Is(err, errElsewhere) || ctx.Err() != nil {
			return errors.Join(err, l.remember())
		}
	}
}

// turn follows for as long as the streams stay what they are.
func (l *Log) turn(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	again := l.records.Again(ctx)
	if err := l.meet(ctx); err != nil {
		return err
	}
	if l.frozen != nil {
		<-ctx.Done()
		return nil
	}
	at, err := l.records.State(ctx)
	if err != nil {
		return err
	}
	if err := l.goBack(ctx, at); err != nil {
		return err
	}
	l.target = at.Last
	if l.at.Seq < at.Last {
		more, err := stream.More(ctx, l.records, l.at.Seq)
		if err != nil {
			return err
		}
		if !more { // what RECORDS counts beyond cannot be read any more: nobody need wait for it
			l.mu.Lock()
			l.covered, l.target = at.Last, l.at.Seq
			l.wake()
			l.mu.Unlock()
		}
	}
	return l.follow(ctx, at, stream.Forever, again)
}

// start brings the log to where it must be before it is shown to anybody: it has all that it ever signed, or a new epoch
// has begun; and it has what RECORDS held.
func (l *Log) start(ctx context.Context) error {
	if err := l.meet(ctx); err != nil || l.frozen != nil {
		return err
	}
	at, err := l.records.State(ctx)
	if err != nil {
		return err
	}
	if err := l.judge(ctx, at); err != nil {
		return err
	}
	if err := l.goBack(ctx, at); err != nil {
		return err
	}
	return l.follow(ctx, at, at.Last, nil)
}

// judge compares the tree with what is remembered of it. Where the log that was signed is in neither LOG nor the file, a
// new epoch begins.
func (l *Log) judge(ctx context.Context, at stream.State) error {
	signed, size := l.cfg.Key.newest(), l.tree.size()
	switch {
	case signed.IsZero():
		return nil
	case signed.Size <= size:
		root, err := l.tree.rootOf(signed.Size)
		if err != nil || root == signed.Root {
			return err
		}
	case size > 0:
		again, err := l.comesAgain(ctx, at, signed)
		if err != nil || again {
			return err
		}
	}
	return l.begin(signed)
}

// goBack finds the newest place of the log that RECORDS still has.
func (l *Log) goBack(ctx context.Context, at stream.State) error {
	p, err := l.holding(ctx, at)
	if err != nil {
		return err
	}
	l.covers(p)
	return nil
}

// begin begins a new epoch, which has nothing yet.
func (l *Log) begin(signed checkpoint.Checkpoint) error {
	l.cfg.Log.Error("the public log as it was signed is neither in LOG nor in the file: a new epoch begins, built from RECORDS", "origin", signed.Origin, "size", signed.Size)
	position := l.inLog
	if err := l.use(l.cfg.Key.epoch() + 1); err != nil {
		return fmt.Errorf("%w: %w", errDisk, err)
	}
	l.inLog = position // what is in LOG is of earlier epochs
	return nil
}

// comesAgain tells whether RECORDS brings once more the tail that was signed and is lost. It writes nothing.
func (l *Log) comesAgain(ctx context.Context, at stream.State, signed checkpoint.Checkpoint) (bool, error) {
	p, err := l.holding(ctx, at)
	if err != nil {
		return false, err
	}
	reached := errors.New("as many leaves as were signed")
	d := l.tree.draft()
	err = l.records.Each(ctx, p.Seq, at.Last, func(m stream.Message) error {
		if err := d.bring(readArrival(m, at.Created)); err != nil {
			return err
		}
		d.stored = d.stored[:0]
		if d.edge.size >= signed.Size {
			return reached
		}
		return nil
	})
	if err != nil && !errors.Is(err, reached) {
		return false, err
	}
	again := d.edge.size == signed.Size && d.edge.root() == signed.Root
	if again {
		l.cfg.Log.Warn("a tail of the public log was lost, and is made from RECORDS once more", "from", l.tree.size(), "to", signed.Size)
	}
	return again, nil
}

// holding is the newest place of the log that RECORDS still has; zero where it has none. Whoever wrote the entry for a
// place had covered all before it.
func (l *Log) holding(ctx context.Context, at stream.State) (wire.Place, error) {
	for i := len(l.tree.spots) - 1; i >= 0; i-- {
		_, m, err := l.tree.message(i)
		if err != nil {
			return wire.Place{}, err
		}
		for _, e := range slices.Backward(m.Entries) {
			if e.Place.Created != at.Created || e.Place.Seq > at.Last {
				continue
			}
			if holds, err := stream.Holds(ctx, l.records, e.Place); holds || err != nil {
				return e.Place, err
			}
		}
	}
	return wire.Place{}, nil
}

// follow writes what RECORDS has, behind the place up to which all is covered, into the log: up to a
// sequence, or for ever.
func (l *Log) follow(ctx context.Context, at stream.State, until uint64, again <-chan struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	arrivals, broken := make(chan *arrival, read), make(chan error, 1)
	after := l.at.Seq
	go func() {
		defer close(arrivals)
		broken <- l.records.Each(ctx, after, until, func(m stream.Message) error {
			select {
			case arrivals <- readArrival(m, at.Created):
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	defer func() {
		cancel()
		for range arrivals { // until the reader has seen it
		}
	}()
	note, check := time.NewTicker(noteEvery), time.NewTicker(l.checks)
	defer note.Stop()
	defer check.Stop()
	var list []*arrival
	for {
		if until == stream.Forever {
			if err := l.tell(); err != nil {
				return err
			}
		}
		select {
		case a, ok := <-arrivals:
			if !ok {
				return <-broken
			}
			list = append(list, a)
			for more := true; more && len(list) < wire.MaxLogEntries; {
				if until != stream.Forever { // then the rest comes at once
					if a, more = <-arrivals; more {
						list = append(list, a)
					}
					continue
				}
				select {
				case a, ok := <-arrivals:
					if more = ok; ok {
						list = append(list, a)
					}
				default:
					more = false
				}
			}
			for len(list) > 0 {
				var err error
				if list, err = l.write(ctx, list); err != nil {
					return err
				}
			}
		case <-note.C:
			if err := l.remember(); err != nil {
				return fmt.Errorf("%w: %w", errDisk, err)
			}
		case <-check.C:
			for s, p := range map[stream.Stream]wire.Place{l.records: l.at, l.log: l.inLog} {
				if holds, err := stream.Holds(ctx, s, p); err != nil {
					return err
				} else if !holds {
					return fmt.Errorf("%w: message %d of %s", errElsewhere, p.Seq, s.Name())
				}
			}
		case <-again:
			return fmt.Errorf("%w: the broker was away", errElsewhere)
		case <-ctx.Done():
			return nil
		}
	}
}

// write appends the entries of as many messages as fit into one of LOG, and returns those that are left. Where another
// centre was faster, its entries are taken in, and what they cover is left out.
func (l *Log) write(ctx context.Context, list []*arrival) ([]*arrival, error) {
	for len(list) > 0 && list[0].place.Seq <= l.at.Seq {
		list = list[1:]
	}
	if len(list) == 0 {
		return nil, nil
	}
	d := l.tree.draft()
	n := 0
	for ; n < len(list) && d.fits(len(list[n].leaves)); n++ {
		if err := d.bring(list[n]); err != nil {
			return nil, err
		}
	}
	m := wire.LogMessage{Origin: l.tree.origin, Entries: d.list}
	data := m.Encode()
	seq, err := l.log.Append(ctx, wire.LogSubject, data, stream.Expect{Last: l.last})
	if errors.Is(err, stream.ErrMoved) || errors.Is(err, stream.ErrUnknown) {
		return list, l.lost(ctx, err)
	}
	if err != nil {
		return nil, err
	}
	if err := l.commit(d, seq); err != nil {
		return nil, err
	}
	l.last, l.inLog = seq, stream.Message{Seq: seq, Data: data}.Place(l.created)
	l.covers(list[n-1].place)
	return list[n:], nil
}

// covers notes that the log has all that RECORDS holds up to a place.
func (l *Log) covers(p wire.Place) {
	l.at = p
	l.mu.Lock()
	l.covered = p.Seq
	l.wake()
	l.mu.Unlock()
}

// lost is what follows where LOG did not take a message, or did not say so: what stands in it decides. It returns nil
// where that was more of the log; then its writer has covered what it names.
func (l *Log) lost(ctx context.Context, cause error) error {
	had := len(l.tree.spots)
	if err := l.catchUp(ctx); err != nil {
		return errors.Join(cause, err)
	}
	switch {
	case l.frozen != nil:
		return l.frozen
	case len(l.tree.spots) == had, l.tree.place.Seq < l.at.Seq:
		return fmt.Errorf("%w: %w", errElsewhere, cause)
	}
	l.covers(l.tree.place)
	return nil
}

// tell tells that an epoch has ended, once the new one has what RECORDS held when this turn began.
func (l *Log) tell() error {
	old := l.cfg.Key.ended()
	if old.IsZero() || l.at.Seq < l.target || l.cfg.OnEpoch == nil {
		return nil
	}
	known := []checkpoint.Checkpoint{old}
	if l.cfg.Known != nil {
		known = append(known, l.cfg.Known(old.Origin, l.tree.size())...)
	}
	common := uint64(0)
	for _, c := range known {
		if c.Origin != old.Origin || c.Size <= common || c.Size > l.tree.size() {
			continue
		}
		root, err := l.tree.rootOf(c.Size)
		if err != nil {
			return err
		}
		if root == c.Root {
			common = c.Size
		}
	}
	if err := l.cfg.OnEpoch(old, common); err != nil {
		l.cfg.Log.Warn("the end of an epoch of the public log could not be told; it is told again", "error", err)
		return nil
	}
	if err := l.cfg.Key.told(); err != nil {
		return fmt.Errorf("%w: %w", errDisk, err)
	}
	return nil
}
