package publog

import (
	"context"
	"errors"
	"fmt"

	"ullage/events/wire"
	"ullage/syncd/stream"
)

// errElsewhere ends a turn: a place that was read up to does not hold any more, or somebody else has written.
var errElsewhere = errors.New("the place does not hold any more")

// errDisk is about a file that could not be written: the log must be opened again.
var errDisk = errors.New("the public log cannot be written to the disk")

// twoHistories is how LOG differs from the file.
type twoHistories struct{ words string }

func (e *twoHistories) Error() string { return e.words }

// newerEpoch is that LOG has an epoch that is not known here.
type newerEpoch uint64

func (e newerEpoch) Error() string { return fmt.Sprintf("LOG has epoch %d", uint64(e)) }

// meet compares LOG with the file, and gives each what it lacks of the other.
func (l *Log) meet(ctx context.Context) error {
	for l.frozen == nil {
		at, err := l.log.State(ctx)
		if err != nil {
			return err
		}
		inStep, err := l.inStep(ctx, at)
		if err != nil {
			return err
		}
		lost := l.tree.size() == 0 && !l.cfg.Key.newest().IsZero()
		k := &taker{l: l, created: at.Created, chained: l.tree.size()}
		if !inStep {
			l.inLog, k.chained = wire.Place{}, 0
		}
		err = l.readLog(ctx, at, k)
		var other newerEpoch
		switch {
		case errors.As(err, &other):
			if l.tree.size() > 0 {
				l.alarm(Alarm{OtherEpoch, "another centre began a new epoch of the public log, though this one has a log", 0, l.tree.size()})
			}
			if err := l.use(uint64(other)); err != nil {
				return err
			}
			continue
		case err != nil:
			return err
		case l.frozen == nil && k.chained < l.tree.size():
			l.alarm(Alarm{StreamLost, "the stream LOG lacked entries of the public log; they are appended to it again from the file", k.chained, l.tree.size()})
			err = l.refill(ctx, k.chained)
			if errors.Is(err, errElsewhere) && ctx.Err() == nil { // another centre is at it
				l.inLog = wire.Place{}
				continue
			}
			return err
		}
		if lost && l.tree.size() > 0 {
			l.alarm(Alarm{FileLost, "the public log's file was lost; it was taken from the stream LOG again", 0, l.tree.size()})
		}
		return nil
	}
	return nil
}

// inStep tells whether LOG has the last entry of the file, and nothing is missing before: then it is read from there.
// A file without entries is in step with the beginning.
func (l *Log) inStep(ctx context.Context, at stream.State) (bool, error) {
	if !l.inLog.IsZero() {
		return stream.Holds(ctx, l.log, l.inLog)
	}
	if len(l.tree.spots) == 0 {
		return true, nil
	}
	f, have, err := l.tree.message(len(l.tree.spots) - 1)
	if err != nil || at.Gaps || f.at == 0 || f.at > at.Last {
		return false, err
	}
	m, err := l.log.Get(ctx, f.at)
	if err != nil || m.Seq == 0 {
		return false, err
	}
	there, err := wire.DecodeLog(m.Data)
	if err != nil {
		return false, nil
	}
	a, b := have.Entries[len(have.Entries)-1], there.Entries[len(there.Entries)-1]
	if have.Origin != there.Origin || a.Place != b.Place || a.Size != b.Size || a.Root != b.Root {
		return false, nil
	}
	l.inLog = m.Place(at.Created)
	return true, nil
}

// readLog takes in what LOG has behind the place up to which it was read. Two histories stop the log.
func (l *Log) readLog(ctx context.Context, at stream.State, k *taker) error {
	err := l.log.Each(ctx, l.inLog.Seq, at.Last, k.message)
	if err == nil {
		err = k.flush()
	}
	var two *twoHistories
	if errors.As(err, &two) {
		l.freeze(k.chained, two)
		return nil
	}
	if err == nil {
		l.last, l.created = at.Last, at.Created
	}
	return err
}

// freeze stops the log: only what LOG and file have alike is served any more. Whoever sees that it has stopped finds the
// alarm told.
func (l *Log) freeze(agreed uint64, why *twoHistories) {
	agreed = min(agreed, l.tree.size())
	l.alarm(Alarm{Rewritten, fmt.Sprintf("The public log has stopped: the stream LOG and the file %s tell different histories (%v). Both have the first %d leaves. "+
		"Find out which of the two the devices have seen, put the other one right from a backup, and start again", l.cfg.Dir, why, agreed), agreed, l.tree.size()})
	l.mu.Lock()
	l.agreed, l.frozen = agreed, fmt.Errorf("%w: %w", ErrRewritten, why)
	l.wake()
	l.mu.Unlock()
}

// catchUp takes in what others have written into LOG.
func (l *Log) catchUp(ctx context.Context) error {
	if holds, err := stream.Holds(ctx, l.log, l.inLog); err != nil {
		return err
	} else if !holds {
		return errElsewhere
	}
	at, err := l.log.State(ctx)
	if err != nil {
		return err
	}
	return l.readLog(ctx, at, &taker{l: l, created: at.Created, chained: l.tree.size()})
}

// taker takes messages of LOG into the tree.
type taker struct {
	l       *Log
	created int64 // of LOG
	// chained is how far somebody gets who reads LOG from its beginning, and has nothing else.
	chained uint64
	foreign bool // a message that is not this log's has been told of
	d       *draft
	seq     uint64 // of the message at hand
	at      uint64 // of the one with the last entry in d
}

// message takes one message. Messages of other logs and of earlier epochs are passed over, and so is what begins behind
// leaves that are not there: it comes again from whoever has them.
func (k *taker) message(m stream.Message) error {
	l := k.l
	read := m.Place(k.created)
	log, err := wire.DecodeLog(m.Data)
	ours, epoch := l.cfg.Key.epoch(), uint64(0)
	if err == nil {
		epoch = l.cfg.Key.epochOf(log.Origin)
	}
	switch {
	case epoch > ours:
		return newerEpoch(epoch)
	case epoch == 0 && !k.foreign:
		k.foreign = true
		l.cfg.Log.Warn("there are messages in LOG that are not this log's", "first", m.Seq, "error", err)
	case epoch == ours:
		k.seq = m.Seq
		for _, e := range log.Entries {
			if err := k.entry(e); err != nil {
				return err
			}
		}
	}
	l.inLog = read
	return nil
}

func (k *taker) entry(e wire.LogEntry) error {
	if k.d == nil {
		k.d = k.l.tree.draft()
	}
	first, tip := e.First(), k.d.edge.size
	switch {
	case first > tip:
		return nil
	case first == tip && !(e.Leaves() == 0 && k.covered(e.Place)):
		if !k.d.fits(e.Leaves()) {
			if err := k.flush(); err != nil {
				return err
			}
			k.d = k.l.tree.draft()
		}
		if err := k.d.take(e); err != nil {
			return &twoHistories{err.Error()}
		}
		k.at = k.seq
	case e.Size > tip:
		return &twoHistories{fmt.Sprintf("an entry of LOG goes from %d to %d leaves, the file ends at %d", first, e.Size, tip)}
	default:
		if err := k.flush(); err != nil {
			return err
		}
		root, err := k.l.tree.rootOf(e.Size)
		if err != nil {
			return err
		}
		if root != e.Root {
			return &twoHistories{fmt.Sprintf("the root of %d leaves is %s in LOG, and %s in the file", e.Size, e.Root, root)}
		}
	}
	if first <= k.chained {
		k.chained = max(k.chained, e.Size)
	}
	return nil
}

// covered tells whether there is an entry without leaves for a place already, at the log's end.
func (k *taker) covered(p wire.Place) bool {
	for i := len(k.d.list) - 1; i >= 0; i-- {
		if e := k.d.list[i]; e.Leaves() > 0 {
			return e.Place == p
		} else if e.Place == p {
			return true
		}
	}
	return k.l.tree.empty[p]
}

func (k *taker) flush() error {
	d := k.d
	k.d = nil
	if d == nil || len(d.list) == 0 {
		return nil
	}
	return k.l.commit(d, k.at)
}

// commit makes a draft, which LOG has, a part of the log. Its error wraps errDisk.
func (l *Log) commit(d *draft, at uint64) error {
	off, err := l.tree.write(d, at)
	if err != nil {
		return fmt.Errorf("%w: %w", errDisk, err)
	}
	l.mu.Lock()
	l.tree.grow(d, off)
	l.wake()
	l.mu.Unlock()
	if l.cfg.Key.newest().IsZero() { // from now on it is known that there was a log
		if err := l.remember(); err != nil {
			return fmt.Errorf("%w: %w", errDisk, err)
		}
	}
	return nil
}

// refill appends to LOG the entries of the file behind the first size leaves.
func (l *Log) refill(ctx context.Context, size uint64) error {
	m := wire.LogMessage{Origin: l.tree.origin}
	leaves := 0
	send := func() error {
		if len(m.Entries) == 0 {
			return nil
		}
		data := m.Encode()
		seq, err := l.log.Append(ctx, wire.LogSubject, data, stream.Expect{Last: l.last})
		if errors.Is(err, stream.ErrMoved) || errors.Is(err, stream.ErrUnknown) {
			return fmt.Errorf("%w: %w", errElsewhere, err)
		}
		if err != nil {
			return err
		}
		l.last = seq
		m.Entries, leaves = nil, 0
		return nil
	}
	for i, s := range l.tree.spots {
		if s.size <= size {
			continue
		}
		_, part, err := l.tree.message(i)
		if err != nil {
			return err
		}
		for _, e := range part.Entries {
			if e.Size <= size {
				continue
			}
			if len(m.Entries) == wire.MaxLogEntries || leaves+e.Leaves() > wire.MaxLogLeaves {
				if err := send(); err != nil {
					return err
				}
			}
			m.Entries, leaves = append(m.Entries, e), leaves+e.Leaves()
		}
	}
	if err := send(); err != nil {
		return err
	}
	// What LOG has now is read once more, from where it was read up to, and found to be the same.
	return l.catchUp(ctx)
}
