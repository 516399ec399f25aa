// Package publog is the public log at the centre: it follows RECORDS, gives each record a leaf of a Merkle tree, and
// signs checkpoints of that tree. A checkpoint in the hands of a device is what a later change of the past would be
// found out by.
//
// The log stands twice: as messages in the stream LOG, which gives several centres one order, and as a file of entries in
// the centre's own folder. An entry tells of one message of RECORDS: its place, the leaves that are new, and the size and
// root of the tree after it. LOG is written first, with the expectation that nobody has written since; then the file,
// with a sync; then the entry counts, and not before. So whatever size a checkpoint of the log has, LOG has but one root
// for it, and a broker or a disk alone cannot take it back.
//
// A record is known by device, number and hash. Where it comes again, in a message at another place, the entry of that
// has no leaf for it: healing does not make the log grow, and reading RECORDS over again does no harm. Another record
// under a number that is taken gets a leaf of its own. A message that cannot be decoded is an entry without leaves.
//
// What the log does when something is not as it was:
//
//   - LOG or the file is lost, cut back or damaged: what one lacks is taken from the other. Same leaves, same roots.
//   - Both lack a tail that was signed: it is made from RECORDS once more, and goes on if it comes to the remembered root.
//   - RECORDS is an older state of itself: entries stay. The log goes back to the last place that holds and reads on
//     from there.
//   - LOG and the file have different histories: neither is chosen. The log stops (ErrRewritten), tells an alarm, and
//     serves no more than what both have: whoever has checked more sees that. People decide which of the two was
//     published, and take the file's folder away, or bring back the streams, before the next start.
//   - The log that was signed is in neither: a new epoch begins, with an origin of its own, built from RECORDS. OnEpoch is
//     told of the end of the old one until it has taken note.
//
// A Log holds the index of its leaves in memory, about 80 bytes for each message of RECORDS. FORMAT.md gives the files.
package publog

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
	"ullage/syncd/stream"
	"ullage/syncd/trust/disk"
)

// Errors.
var (
	// ErrSize is about more leaves than the log has.
	ErrSize = errors.New("the public log is not that long")
	// ErrRewritten is why the log has stopped: LOG and the file have different histories.
	ErrRewritten = errors.New("the public log has two histories")
	// ErrHashes is about a proof that came out wrong: the file of hashes is damaged. The next Open makes it good.
	ErrHashes = errors.New("the public log's file of hashes is damaged; it is made good when the centre is started again")
)

// Config is what Open needs.
type Config struct {
	Dir string // of the files; nobody else works in it
	Key *Key

	Records, Entries stream.Stream // RECORDS, and LOG

	// Known are checkpoints of an origin and of at most so many leaves that devices have seen, where the caller has any: they tell how much of an epoch that ended
	// is still there. nil: there are none.
	Known func(origin string, most uint64) []checkpoint.Checkpoint
	// OnAlarm hears, from Open and from Run, of what somebody must look at; nil: only Log does. It returns soon.
	OnAlarm func(Alarm)
	// OnEpoch hears, from Run, that an epoch has ended: its newest checkpoint, as far as it is remembered, and the
	// greatest size up to which the new log is provably the same. With an error it hears of it again. nil: nobody does, and
	// it is kept for who does.
	OnEpoch func(old checkpoint.Checkpoint, common uint64) error

	Log *slog.Logger // nil: nothing is logged
}

// AlarmKind says what an alarm is about.
type AlarmKind string

// The kinds of alarms.
const (
	FileDamaged AlarmKind = "log-file-damaged" // a part of the file was set aside
	FileLost    AlarmKind = "log-file-lost"    // it was taken from LOG again
	StreamLost  AlarmKind = "log-stream-lost"  // LOG lacked entries, and they were appended again
	Rewritten   AlarmKind = "log-rewritten"    // two histories: the log has stopped
	OtherEpoch  AlarmKind = "log-other-epoch"  // another centre began an epoch, which this one follows
)

// Alarm is something that the office must see.
type Alarm struct {
	Kind     AlarmKind
	Words    string
	From, To uint64 // sizes of the log between which it lies
}

// Log is the public log. Its methods may be called at the same time; Run is called once.
type Log struct {
	cfg     Config
	records stream.Stream
	log     stream.Stream
	checks  time.Duration // how often the places are looked at: a minute, but for tests

	// What only Open, and then Run, use.
	last    uint64     // sequence that LOG ends with
	created int64      // of LOG
	inLog   wire.Place // in LOG: up to where it was read; zero at its beginning
	at      wire.Place // in RECORDS: the place that held last, up to which all is covered
	target  uint64     // the sequence that RECORDS ended with when the turn began

	mu      sync.RWMutex // protects what follows; Run reads it without
	tree    *tree
	covered uint64        // sequence in RECORDS up to which the log has all; 0 while that is not known
	frozen  error         // why the log has stopped
	agreed  uint64        // then: the size up to which LOG and file are the same
	changed chan struct{} // closed with every change

	signing sync.Mutex
	signed  checkpoint.Signed
}

// Open opens the log, compares the file with LOG, and brings both up to what RECORDS holds. The caller makes sure that one
// Log at a time works on the folder.
func Open(ctx context.Context, cfg Config) (_ *Log, err error) {
	cfg.Log = cmp.Or(cfg.Log, slog.New(slog.DiscardHandler))
	if cfg.Dir == "" || cfg.Key == nil || cfg.Records == nil || cfg.Entries == nil {
		return nil, errors.New("public log: it needs a folder, a key and its two streams")
	}
	l := &Log{cfg: cfg, records: cfg.Records, log: cfg.Entries, checks: time.Minute, changed: make(chan struct{})}
	if err := disk.MakeDir(cfg.Dir); err != nil {
		return nil, err
	}
	if err := disk.Sweep(cfg.Dir); err != nil {
		return nil, err
	}
	if err := l.openEpoch(); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, l.tree.close())
		}
	}()
	for {
		err := l.start(ctx)
		if err == nil || l.frozen != nil {
			return l, nil
		}
		if !errors.Is(err, errElsewhere) || ctx.Err() != nil {
			return nil, err
		}
	}
}

// openEpoch opens the files of the newest epoch that the key or the folder knows.
func (l *Log) openEpoch() error {
	epoch := l.cfg.Key.epoch()
	files, err := os.ReadDir(l.cfg.Dir)
	if err != nil {
		return err
	}
	for _, f := range files {
		name, ok := strings.CutSuffix(f.Name(), ".entries")
		n, err := strconv.ParseUint(strings.TrimPrefix(name, "epoch-"), 10, 32)
		if ok && err == nil {
			epoch = max(epoch, n)
		}
	}
	return l.use(epoch)
}

// use goes over to the files of an epoch, which may be new.
func (l *Log) use(epoch uint64) error {
	if epoch != l.cfg.Key.epoch() {
		if err := l.cfg.Key.begin(epoch); err != nil {
			return err
		}
	}
	t, damage, err := openTree(filepath.Join(l.cfg.Dir, fmt.Sprintf("epoch-%d", epoch)), l.cfg.Key.origin(epoch))
	if err != nil {
		return err
	}
	if damage != "" {
		l.alarm(Alarm{FileDamaged, "the public log's file was damaged: " + damage + ". What is missing is taken from the stream LOG", t.size(), t.size()})
	}
	l.mu.Lock()
	old := l.tree
	l.tree = t
	l.inLog, l.at, l.covered = wire.Place{}, wire.Place{}, 0
	l.wake()
	l.mu.Unlock()
	if old != nil {
		return old.close()
	}
	return nil
}

// Close closes the files. Run must have ended.
func (l *Log) Close() error {
	return errors.Join(l.remember(), l.tree.close())
}

// Key is the key by which checkpoints hold.
func (l *Log) Key() ed25519.PublicKey { return l.cfg.Key.Public() }

// visible is the size up to which the log is served. The caller holds mu.
func (l *Log) visible() uint64 {
	if l.frozen != nil {
		return l.agreed
	}
	return l.tree.size()
}

// Newest is the newest checkpoint; zero where the log is empty.
func (l *Log) Newest() checkpoint.Signed {
	l.signing.Lock()
	defer l.signing.Unlock()
	s, err := l.current()
	if err == nil && s.Checkpoint != l.signed.Checkpoint && s.Size > 0 {
		s.Note, err = checkpoint.Sign(s.Checkpoint, l.cfg.Key.private)
	}
	if err != nil {
		l.cfg.Log.Error("the public log has no newest checkpoint", "error", err)
		return checkpoint.Signed{}
	}
	if s.Checkpoint != l.signed.Checkpoint {
		l.signed = s
	}
	return l.signed
}

// current is the newest checkpoint without its note.
func (l *Log) current() (checkpoint.Signed, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	size := l.visible()
	if size == 0 {
		return checkpoint.Signed{}, nil
	}
	s := checkpoint.Signed{Checkpoint: checkpoint.Checkpoint{Origin: l.tree.origin, Size: size, Root: l.tree.root}, News: l.tree.news}
	if size == l.tree.size() {
		return s, nil
	}
	e, err := l.tree.reaching(size)
	if err != nil {
		return checkpoint.Signed{}, err
	}
	s.News = min(e.News, size)
	s.Root, err = l.tree.rootOf(size)
	return s, err
}

// Wait returns once the log has all that RECORDS held up to a sequence, or when ctx ends. Its error wraps ErrRewritten
// where that will not be.
func (l *Log) Wait(ctx context.Context, seq uint64) error {
	for {
		l.mu.RLock()
		covered, frozen, changed := l.covered, l.frozen, l.changed
		l.mu.RUnlock()
		switch {
		case frozen != nil:
			return frozen
		case covered >= seq:
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// wake lets those who wait look again. The caller holds mu.
func (l *Log) wake() {
	close(l.changed)
	l.changed = make(chan struct{})
}

// Leaf is the index of a record's leaf.
func (l *Log) Leaf(device events.DeviceID, seq events.Seq, hash events.Hash) (index uint64, ok bool) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	index, ok, err := l.tree.find(device, seq, hash)
	if err != nil {
		l.cfg.Log.Error("a leaf of the public log cannot be read", "device", device, "record", seq, "error", err)
	}
	return index, ok && index < l.visible()
}

// Differs tells whether the log has another record of a device under a number, and not this one.
func (l *Log) Differs(device events.DeviceID, seq events.Seq, hash events.Hash) (bool, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	other := false
	for _, i := range l.tree.index.leaves(device, seq) {
		h, err := l.tree.hashes.leaf(i)
		if err != nil || h == hash {
			return false, err
		}
		other = other || i < l.visible()
	}
	return other, nil
}

// Logged are the numbers of the records that have a leaf, of each device as ranges, ascending and apart.
func (l *Log) Logged() map[events.DeviceID]wire.Ranges {
	l.mu.RLock()
	defer l.mu.RUnlock()
	all, visible := map[events.DeviceID]wire.Ranges{}, l.visible()
	for device, c := range l.tree.index {
		var list wire.Ranges
		for _, s := range c.stretches {
			if s.leaf+uint64(s.n) <= visible {
				list.Add(wire.Range{From: s.first, To: s.first + events.Seq(s.n) - 1})
			}
		}
		if len(list) > 0 {
			all[device] = list
		}
	}
	return all
}

// has checks that the log has so many leaves. The caller holds mu.
func (l *Log) has(size uint64) error {
	if v := l.visible(); size > v {
		return fmt.Errorf("%w: %d leaves, it has %d", ErrSize, size, v)
	}
	return nil
}

// Root is the root of the first size leaves. Its error wraps ErrSize where there are less.
func (l *Log) Root(size uint64) (events.Hash, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if err := l.has(size); err != nil {
		return events.Hash{}, err
	}
	return l.tree.rootOf(size)
}

// Proof shows that a leaf is among the first size ones, for checkpoint.Includes. Its error wraps ErrSize where there is
// no such leaf, and ErrHashes.
func (l *Log) Proof(index, size uint64) ([]events.Hash, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if err := l.has(size); err != nil {
		return nil, err
	}
	if index >= size {
		return nil, fmt.Errorf("%w: leaf %d of %d", ErrSize, index, size)
	}
	p, err := tlog.ProveRecord(int64(size), int64(index), l.tree.hashes)
	if err != nil {
		return nil, err
	}
	leaf, err := l.tree.hashes.leaf(index)
	if err != nil {
		return nil, err
	}
	root, err := l.tree.rootOf(size)
	if err != nil {
		return nil, err
	}
	proof := ours(p)
	if err := checkpoint.Includes(checkpoint.Checkpoint{Size: size, Root: root}, index, leaf, proof); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrHashes, err)
	}
	return proof, nil
}

// Extension shows that the log of now leaves has those of then before its others, for checkpoint.Extends. Its error
// wraps ErrSize where now is less than then or more than there are, and ErrHashes.
func (l *Log) Extension(then, now uint64) ([]events.Hash, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if err := l.has(now); err != nil {
		return nil, err
	}
	if then > now {
		return nil, fmt.Errorf("%w: %d leaves do not extend %d", ErrSize, now, then)
	}
	if then == 0 || then == now {
		return nil, nil
	}
	p, err := tlog.ProveTree(int64(now), int64(then), l.tree.hashes)
	if err != nil {
		return nil, err
	}
	before, err := l.tree.rootOf(then)
	if err != nil {
		return nil, err
	}
	after, err := l.tree.rootOf(now)
	if err != nil {
		return nil, err
	}
	proof := ours(p)
	if err := checkpoint.Extends(checkpoint.Checkpoint{Size: then, Root: before}, checkpoint.Checkpoint{Size: now, Root: after}, proof); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrHashes, err)
	}
	return proof, nil
}

func ours(p []tlog.Hash) []events.Hash {
	list := make([]events.Hash, len(p))
	for i, h := range p {
		list[i] = events.Hash(h)
	}
	return list
}

// Received is when the gate received the message that brought the last leaf of a log of that size: a checkpoint of that
// size did not exist before. ok is false where no entry ends there: then there is no such checkpoint.
func (l *Log) Received(size uint64) (at events.Millis, ok bool) {
	if size == 0 {
		return 0, false
	}
	e, err := l.entry(size)
	if err != nil {
		return 0, false
	}
	return e.Received, e.Size == size
}

// EntryOf is the entry that brought a leaf. Its error wraps ErrSize where there is none.
func (l *Log) EntryOf(index uint64) (wire.LogEntry, error) { return l.entry(index + 1) }

func (l *Log) entry(size uint64) (wire.LogEntry, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if err := l.has(size); err != nil {
		return wire.LogEntry{}, err
	}
	return l.tree.reaching(size)
}

func (l *Log) alarm(a Alarm) {
	l.cfg.Log.Error(a.Words, "alarm", a.Kind, "from", a.From, "to", a.To)
	if l.cfg.OnAlarm != nil {
		l.cfg.OnAlarm(a)
	}
}

// remember notes the newest checkpoint beside the key, apart from the log.
func (l *Log) remember() error {
	if l.frozen != nil {
		return nil // what is remembered stays, for those who decide
	}
	s := l.Newest()
	if s.Size == 0 || s.Checkpoint == l.cfg.Key.newest() {
		return nil
	}
	return l.cfg.Key.remember(s.Note)
}
