package publog_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"go.uber.org/goleak"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/publog"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what must come.
const patience = 30 * time.Second

// world is a centre's broker and keys, in a folder.
type world struct {
	t      testing.TB
	dir    string
	trust  *trust.Trust
	broker *broker.Broker
	gate   *nats.Conn // pushes

	pushed map[events.DeviceID]events.Seq
	leaves []events.Hash // of all that was pushed, in order, each once
	seen   map[events.Hash]bool
}

func newWorld(t testing.TB) *world {
	t.Helper()
	w := &world{t: t, dir: t.TempDir(), pushed: map[events.DeviceID]events.Seq{}, seen: map[events.Hash]bool{}}
	var err error
	if w.trust, err = trust.Open(trust.Config{Dir: w.dir}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.trust.Close() })
	w.start()
	t.Cleanup(w.stop)
	return w
}

func (w *world) start() {
	w.t.Helper()
	var err error
	if w.broker, err = broker.Start(broker.Config{Dir: w.streams(), Trust: w.trust}); err != nil {
		w.t.Fatal(err)
	}
	if err := w.broker.EnsureStreams(w.soon()); err != nil {
		w.t.Fatal(err)
	}
	if w.gate, err = w.broker.Connect(trust.GateCentre); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) stop() { w.broker.Shutdown() }

func (w *world) soon() context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	w.t.Cleanup(cancel)
	return ctx
}

func (w *world) streams() string { return filepath.Join(w.dir, "streams") }

// folder is where the server keeps a stream.
func (w *world) folder(stream wire.Stream) string {
	return filepath.Join(w.streams(), "jetstream", w.trust.CentreAccount(), "streams", stream.Name)
}

// save copies a stream's files, while the broker is down; the returned function puts them in place of what is there.
func (w *world) save(stream wire.Stream) (restore func()) {
	w.t.Helper()
	to := w.t.TempDir()
	copyDir(w.t, w.folder(stream), to)
	return func() {
		w.t.Helper()
		w.lose(w.folder(stream))
		copyDir(w.t, to, w.folder(stream))
	}
}

func (w *world) lose(path string) {
	w.t.Helper()
	if err := os.RemoveAll(path); err != nil {
		w.t.Fatal(err)
	}
}

func copyDir(t testing.TB, from, to string) {
	t.Helper()
	err := filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			return os.MkdirAll(filepath.Join(to, rel), 0o700)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), b, 0o600)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// record makes bytes that stand for a record.
func record(device events.DeviceID, seq events.Seq, branch string) []byte {
	return fmt.Appendf(nil, "%s/%d/%s, and what else a record says", device, seq, branch)
}

// records are those of a device from one number to another.
func records(device events.DeviceID, from, to events.Seq) (list [][]byte) {
	for seq := from; seq <= to; seq++ {
		list = append(list, record(device, seq, ""))
	}
	return list
}

const received = events.Millis(1_772_438_700_000)

func stored(device events.DeviceID, first events.Seq, list [][]byte) []byte {
	last := first + events.Seq(len(list)) - 1
	c := wire.Commit{
		Device: device, Seq: last, Range: wire.Range{From: first, To: last}, Key: make([]byte, 32), Gate: "gate-1",
		Received: received + events.Millis(last),
	}
	nonce := sha256.Sum256(fmt.Append(nil, device, first, last))
	copy(c.Nonce[:], nonce[:])
	return wire.EncodeStored(&c, list)
}

// put stores a message of a device, and returns its sequence.
func (w *world) put(device events.DeviceID, first events.Seq, list [][]byte) uint64 {
	w.t.Helper()
	for _, r := range list {
		if h := events.HashRecord(r); !w.seen[h] {
			w.seen[h] = true
			w.leaves = append(w.leaves, h)
		}
	}
	return w.publish(wire.PushSubject(device), stored(device, first, list))
}

func (w *world) publish(subject string, data []byte) uint64 {
	w.t.Helper()
	js, err := jetstream.New(w.gate)
	if err != nil {
		w.t.Fatal(err)
	}
	ack, err := js.Publish(w.soon(), subject, data)
	if err != nil {
		w.t.Fatal(err)
	}
	return ack.Sequence
}

// push stores the next n records of a device.
func (w *world) push(device events.DeviceID, n int) uint64 {
	w.t.Helper()
	from := w.pushed[device] + 1
	w.pushed[device] += events.Seq(n)
	return w.put(device, from, records(device, from, w.pushed[device]))
}

// centre is a Log that runs.
type centre struct {
	*publog.Log
	w    *world
	dir  string
	conn *nats.Conn

	mu     sync.Mutex
	alarms []publog.Alarm
	epochs []epoch
	known  []checkpoint.Checkpoint
	ended  chan error
	cancel func()
}

type epoch struct {
	old    checkpoint.Checkpoint
	common uint64
}

// open opens a Log on the centre's folder and lets it run until the test ends, or until stop.
func (w *world) open() *centre { return w.openIn(w.trust.LogDir(), w.trust.Log()) }

func (w *world) openIn(dir string, key *publog.Key) *centre {
	w.t.Helper()
	c := &centre{w: w, dir: dir}
	c.open(key)
	return c
}

func (c *centre) open(key *publog.Key, opts ...nats.Option) {
	w := c.w
	w.t.Helper()
	var err error
	if c.conn, err = w.broker.Connect(trust.Logger, opts...); err != nil {
		w.t.Fatal(err)
	}
	level := slog.LevelError + 1
	if testing.Verbose() {
		level = slog.LevelInfo
	}
	records, entries, err := streams(w, c.conn)
	if err != nil {
		w.t.Fatal(err)
	}
	c.Log, err = publog.Open(w.soon(), publog.Config{
		Dir: c.dir, Key: key, Records: records, Entries: entries,
		Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: level})),
		OnAlarm: func(a publog.Alarm) {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.alarms = append(c.alarms, a)
		},
		OnEpoch: func(old checkpoint.Checkpoint, common uint64) error {
			c.mu.Lock()
			defer c.mu.Unlock()
			if len(c.epochs) == 0 {
				c.epochs = append(c.epochs, epoch{})
				return errors.New("not now")
			}
			c.epochs = append(c.epochs, epoch{old, common})
			return nil
		},
		Known: func(string, uint64) []checkpoint.Checkpoint { return c.known },
	})
	if err != nil {
		w.t.Fatal(err)
	}
	c.CheckOften()
	ctx, cancel := context.WithCancel(context.Background())
	c.ended = make(chan error, 1)
	log := c.Log
	go func() { c.ended <- log.Run(ctx) }()
	var once sync.Once
	c.cancel = func() {
		once.Do(func() {
			cancel()
			if err := <-c.ended; err != nil {
				w.t.Errorf("Run: %v", err)
			}
			if err := log.Close(); err != nil {
				w.t.Error(err)
			}
			c.conn.Close()
		})
	}
	w.t.Cleanup(c.cancel)
}

func (c *centre) stop() { c.cancel() }

// kinds are the alarms that came.
func (c *centre) kinds() (list []publog.AlarmKind) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, a := range c.alarms {
		list = append(list, a.Kind)
	}
	return list
}

func (c *centre) wantAlarms(want ...publog.AlarmKind) {
	c.w.t.Helper()
	if got := c.kinds(); !slices.Equal(got, want) {
		c.w.t.Errorf("alarms %v, want %v", got, want)
	}
}

// has waits until the log has all up to a sequence.
func (c *centre) has(seq uint64) {
	c.w.t.Helper()
	if err := c.Wait(c.w.soon(), seq); err != nil {
		c.w.t.Fatalf("waiting for message %d: %v", seq, err)
	}
}

// good holds the log to the leaves that it should have: the checkpoint, its signature, every leaf.
func (c *centre) good(leaves []events.Hash) {
	c.w.t.Helper()
	s := c.Newest()
	if int(s.Size) != len(leaves) || s.Root != root(leaves) {
		c.w.t.Fatalf("the log has %d leaves with the root %s, want %d with %s", s.Size, s.Root, len(leaves), root(leaves))
	}
	if got, err := checkpoint.Open(s.Note, c.Key()); err != nil || got != s.Checkpoint {
		c.w.t.Fatalf("the note says %v, %v", got, err)
	}
	if s.Size == 0 {
		return
	}
	// Each is checked by the log itself, against the file of hashes.
	for _, n := range []uint64{1, s.Size / 2, s.Size - 1} {
		if _, err := c.Extension(n, s.Size); err != nil {
			c.w.t.Error(err)
		}
		if _, err := c.Proof(n, s.Size); n < s.Size && err != nil {
			c.w.t.Error(err)
		}
		if got, err := c.Root(n); err != nil || got != root(leaves[:n]) {
			c.w.t.Errorf("root of %d: %s, %v", n, got, err)
		}
	}
	if s.News > s.Size {
		c.w.t.Errorf("news up to %d of %d", s.News, s.Size)
	}
}

// root is the root over leaves as RFC 6962, section 2.1, has it, by other code than that of the log.
func root(leaves []events.Hash) events.Hash {
	switch len(leaves) {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return leaves[0]
	}
	k := 1
	for 2*k < len(leaves) {
		k *= 2
	}
	l, r := root(leaves[:k]), root(leaves[k:])
	return sha256.Sum256(append(append([]byte{1}, l[:]...), r[:]...))
}

// inLog are the messages of LOG.
func (w *world) inLog() (all []jetstream.RawStreamMsg) {
	w.t.Helper()
	nc, err := w.broker.Connect(trust.Logger)
	if err != nil {
		w.t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		w.t.Fatal(err)
	}
	s, err := js.Stream(w.soon(), wire.Log.Name)
	if err != nil {
		w.t.Fatal(err)
	}
	for seq := uint64(1); seq <= s.CachedInfo().State.LastSeq; seq++ {
		m, err := s.GetMsg(w.soon(), seq)
		if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
			w.t.Fatal(err)
		}
		if err == nil {
			all = append(all, *m)
		}
	}
	return all
}

// spy connects as a user who may do everything in the centre's account; no such user exists outside of tests.
func (w *world) spy() jetstream.JetStream {
	w.t.Helper()
	b, err := os.ReadFile(filepath.Join(w.dir, "keys", "centre.json"))
	if err != nil {
		w.t.Fatal(err)
	}
	var seeds struct{ Centre string }
	if err := json.Unmarshal(b, &seeds); err != nil {
		w.t.Fatal(err)
	}
	account, err := nkeys.FromSeed([]byte(seeds.Centre))
	if err != nil {
		w.t.Fatal(err)
	}
	user, err := nkeys.CreateUser()
	if err != nil {
		w.t.Fatal(err)
	}
	public, err := user.PublicKey()
	if err != nil {
		w.t.Fatal(err)
	}
	claims := jwt.NewUserClaims(public)
	claims.Pub.Allow.Add(">")
	claims.Sub.Allow.Add(">")
	token, err := claims.Encode(account)
	if err != nil {
		w.t.Fatal(err)
	}
	nc, err := nats.Connect(w.broker.ClientURL(), nats.UserJWT(func() (string, error) { return token, nil }, user.Sign))
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		w.t.Fatal(err)
	}
	return js
}

// forget deletes a stream under the running broker and makes it anew, without its messages.
func (w *world) forget(stream wire.Stream) {
	w.t.Helper()
	if err := w.spy().DeleteStream(w.soon(), stream.Name); err != nil {
		w.t.Fatal(err)
	}
	if err := w.broker.EnsureStreams(w.soon()); err != nil {
		w.t.Fatal(err)
	}
}

// eventually waits until something is so.
func (w *world) eventually(what string, is func() bool) {
	w.t.Helper()
	for end := time.Now().Add(patience); !is(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			w.t.Fatalf("it does not come to that: %s", what)
		}
	}
}

func numbered(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

// streams are RECORDS and LOG.
func streams(w *world, conn *nats.Conn) (records, entries stream.Stream, err error) {
	if records, err = stream.Open(w.soon(), conn, wire.Records.Name); err == nil {
		entries, err = stream.Open(w.soon(), conn, wire.Log.Name)
	}
	return records, entries, err
}

// openOnly opens a Log that does not run, and closes it.
func openOnly(w *world) (*publog.Log, error) {
	conn, err := w.broker.Connect(trust.Logger)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	records, entries, err := streams(w, conn)
	if err != nil {
		return nil, err
	}
	l, err := publog.Open(w.soon(), publog.Config{Dir: w.trust.LogDir(), Key: w.trust.Log(), Records: records, Entries: entries})
	if err != nil {
		return nil, err
	}
	return l, l.Close()
}
