package publog_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
	"ullage/syncd/stream"
	"ullage/syncd/trust/publog"
)

// The whole of it: what is pushed gets its leaves, roots and proofs hold, and a restart changes nothing.
func TestFollows(t *testing.T) {
	w := newWorld(t)
	w.push("tab-1", 3) // before there is a log
	c := w.open()
	var last uint64
	for i := range 40 {
		last = w.push(events.DeviceID(fmt.Sprintf("tab-%d", i%3)), 1+i%5)
	}
	c.has(last)
	c.good(w.leaves)
	c.proofs()
	before := c.Newest()
	c.stop()

	c = w.open()
	if again := c.Newest(); again.Checkpoint != before.Checkpoint || again.News != before.News {
		t.Errorf("after a restart %v, before %v", again, before)
	}
	c.has(w.push("tab-1", 2))
	c.good(w.leaves)
	c.proofs()
	c.wantAlarms()
}

// proofs holds all proofs that the log gives to package checkpoint.
func (c *centre) proofs() {
	c.w.t.Helper()
	size := c.Newest().Size
	for n := range size + 1 {
		r, err := c.Root(n)
		if err != nil || r != root(c.w.leaves[:n]) {
			c.w.t.Fatalf("root of %d: %s, %v", n, r, err)
		}
		at := checkpoint.Checkpoint{Origin: "x", Size: n, Root: r}
		for _, then := range []uint64{0, 1, n / 2, n - n/3, n} {
			before, err := c.Root(min(then, n))
			if err != nil {
				c.w.t.Fatal(err)
			}
			p, err := c.Extension(min(then, n), n)
			if err != nil {
				c.w.t.Fatal(err)
			}
			if err := checkpoint.Extends(checkpoint.Checkpoint{Origin: "x", Size: min(then, n), Root: before}, at, p); err != nil {
				c.w.t.Fatalf("from %d to %d: %v", then, n, err)
			}
		}
		for i := range n {
			p, err := c.Proof(i, n)
			if err != nil {
				c.w.t.Fatal(err)
			}
			if err := checkpoint.Includes(at, i, c.w.leaves[i], p); err != nil {
				c.w.t.Fatalf("leaf %d of %d: %v", i, n, err)
			}
		}
	}
	for _, err := range []error{
		second(c.Root(size + 1)), second(c.Proof(0, size+1)), second(c.Proof(size, size)), second(c.Extension(0, size+1)),
		second(c.Extension(2, 1)), second(c.EntryOf(size)),
	} {
		if !errors.Is(err, publog.ErrSize) {
			c.w.t.Errorf("beyond the log: %v", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

// A record that comes again keeps its leaf; another one under its number gets one of its own.
func TestLeaves(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	w.push("tab-1", 5)
	w.push("tab-2", 2)
	c.has(w.push("tab-1", 2))
	size := c.Newest().Size

	again := w.put("tab-1", 2, records("tab-1", 2, 6)) // healed, in another cut
	c.has(again)
	c.good(w.leaves)
	if c.Newest().Size != size {
		t.Errorf("healing made the log grow from %d to %d", size, c.Newest().Size)
	}
	fork := [][]byte{record("tab-1", 4, ""), record("tab-1", 5, "fork"), record("tab-1", 6, ""), record("tab-1", 7, "fork"), record("tab-1", 8, "")}
	w.put("tab-1", 4, fork)
	c.has(w.put("tab-1", 4, fork))
	c.good(w.leaves)
	if got := c.Newest().Size; got != size+3 {
		t.Errorf("a fork with three other records made the log grow from %d to %d", size, got)
	}
	for _, x := range []struct {
		seq    events.Seq
		branch string
		index  uint64
		ok     bool
	}{{1, "", 0, true}, {5, "", 4, true}, {6, "", 7, true}, {5, "fork", size, true}, {7, "fork", size + 1, true}, {8, "", size + 2, true}, {6, "fork", 0, false}, {9, "", 0, false}} {
		i, ok := c.Leaf("tab-1", x.seq, events.HashRecord(record("tab-1", x.seq, x.branch)))
		if ok != x.ok || ok && i != x.index {
			t.Errorf("leaf of record %d %s: %d, %v, want %d, %v", x.seq, x.branch, i, ok, x.index, x.ok)
		}
	}
	if _, ok := c.Leaf("tab-9", 1, events.Hash{}); ok {
		t.Error("a device that wrote nothing has a leaf")
	}
	e, err := c.EntryOf(size + 1)
	if err != nil || e.Device != "tab-1" || e.Leaves() != 3 || len(e.Runs) != 2 || e.Runs[1].First != 7 {
		t.Errorf("the fork's entry: %+v, %v", e, err)
	}
	if at, ok := c.Received(5); !ok || at != received+5 {
		t.Errorf("5 leaves were received at %d, %v", at, ok)
	}
	for _, n := range []uint64{0, 4, size + 4} {
		if at, ok := c.Received(n); ok {
			t.Errorf("%d leaves were received at %d", n, at)
		}
	}
	c.stop()
	c = w.open()
	c.good(w.leaves)
	if i, ok := c.Leaf("tab-1", 5, events.HashRecord(record("tab-1", 5, "fork"))); !ok || i != size {
		t.Errorf("after a restart the fork's leaf is %d, %v", i, ok)
	}
}

// What is no stored push has no records to hash; it is covered all the same.
func TestUnreadableMessage(t *testing.T) {
	w := newWorld(t)
	w.push("tab-1", 1)
	w.publish("push.tab-1", []byte("nothing of ours"))
	w.publish("push._", nil)
	c := w.open()
	c.has(3)
	c.good(w.leaves)
	c.has(w.push("tab-1", 1))
	c.good(w.leaves)
	var devices []events.DeviceID
	for _, m := range w.inLog() {
		log, err := wire.DecodeLog(m.Data)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range log.Entries {
			devices = append(devices, e.Device)
		}
	}
	if want := []events.DeviceID{"tab-1", "tab-1", "unknown", "tab-1"}; !slices.Equal(devices, want) {
		t.Errorf("entries of %q, want %q", devices, want)
	}
}

// News are what people did, not what devices say of clock and log. Larger pushes are not looked at.
func TestNews(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	seq := events.Seq(0)
	make := func(bodies ...events.Body) (list [][]byte) {
		for _, b := range bodies {
			body, err := events.EncodeBody(b)
			if err != nil {
				t.Fatal(err)
			}
			seq++
			at := received + events.Millis(seq)
			raw, err := events.EncodeRecord(&events.Record{
				ID: events.NewRecordID(at, [10]byte(append(numbered(uint64(seq)), 0, 0))), Device: "tab-1", Seq: seq,
				Clock: events.ClockOf(at, 0), Done: at, Kind: b.Kind(), V: events.Newest(b.Kind()), Body: body,
			})
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, raw)
		}
		return list
	}
	ms := int64(2)
	clock, seen, work := &events.ClockChecked{OffsetMs: &ms, RoundTripMs: &ms}, &events.CheckpointSeen{Origin: "x", Size: 1, Root: events.Hash{1}}, &events.TimeSpent{What: "work", Minutes: 3}
	for _, x := range []struct {
		bodies []events.Body
		news   uint64
	}{
		{[]events.Body{clock}, 0},
		{[]events.Body{work, seen}, 2},
		{[]events.Body{clock, seen}, 2},
		{[]events.Body{seen, work}, 7},
		{[]events.Body{seen, seen, seen}, 10},
		{[]events.Body{seen}, 10},
	} {
		from := seq + 1
		c.has(w.put("tab-1", from, make(x.bodies...)))
		if got := c.Newest(); got.News != x.news || got.Size != uint64(seq) {
			t.Errorf("behind %d records: news up to %d of %d, want %d", seq, got.News, got.Size, x.news)
		}
	}
	c.has(w.put("tab-1", seq+1, [][]byte{[]byte("no record at all")}))
	if got := c.Newest().News; got != 12 {
		t.Errorf("what cannot be read is news: up to %d, want 12", got)
	}
}

func TestWaitEnds(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := c.Wait(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if s := c.Newest(); s.Size != 0 || s.Note != "" {
		t.Errorf("an empty log has the checkpoint %+v", s)
	}
}

// Whatever is lost of the log while the centre is down, it is the same log afterwards, as long as one of its two holders
// has it.
func TestLost(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for i := range 20 {
		c.has(w.push("tab-1", 1+i%3))
	}
	c.stop()
	w.stop()
	half := w.save(wire.Log)
	halfFile := t.TempDir()
	copyDir(t, w.trust.LogDir(), halfFile)
	w.start()
	c = w.open()
	for i := range 20 {
		c.has(w.push("tab-2", 1+i%3))
	}
	before := c.Newest()
	c.stop()

	entries := filepath.Join(w.trust.LogDir(), "epoch-1.entries")
	whole, err := os.ReadFile(entries)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name   string
		lose   func()
		alarms []publog.AlarmKind
	}{
		{"nothing", func() {}, nil},
		{"LOG lost", func() { w.lose(w.folder(wire.Log)) }, []publog.AlarmKind{publog.StreamLost}},
		{"LOG cut back", half, []publog.AlarmKind{publog.StreamLost}},
		{"file lost", func() { w.lose(w.trust.LogDir()) }, []publog.AlarmKind{publog.FileLost}},
		{"file an older one", func() { w.lose(w.trust.LogDir()); copyDir(t, halfFile, w.trust.LogDir()) }, nil},
		{"hashes lost", func() { w.lose(filepath.Join(w.trust.LogDir(), "epoch-1.hashes")) }, nil},
		{"hashes wrong", func() { flip(t, filepath.Join(w.trust.LogDir(), "epoch-1.hashes"), 40) }, nil},
		{"file torn", func() { write(t, entries, whole[:len(whole)-3]) }, nil},
		{"file torn, and longer", func() { write(t, entries, append(slices.Clone(whole), whole[20:90]...)) }, nil},
		{"bit flipped in the file", func() { flip(t, entries, len(whole)-800) }, []publog.AlarmKind{publog.FileDamaged}},
		{"bit flipped, and LOG cut back before it", func() { flip(t, entries, len(whole)-800); half() }, []publog.AlarmKind{publog.FileDamaged, publog.StreamLost}},
	} {
		t.Run(x.name, func(t *testing.T) {
			w.t = t
			w.stop()
			x.lose()
			w.start()
			c := w.open()
			if got := c.Newest(); got.Checkpoint != before.Checkpoint || got.News != before.News {
				t.Fatalf("the log is %+v, was %+v", got, before)
			}
			c.wantAlarms(x.alarms...)
			c.good(w.leaves)
			for range 5 {
				c.has(w.push("tab-3", 3))
			}
			c.good(w.leaves)
			c.stop()

			// Whoever has only LOG, or only the file, has all of it.
			w.lose(w.trust.LogDir())
			c = w.open()
			c.good(w.leaves)
			c.stop()
			w.stop()
			w.lose(w.folder(wire.Log))
			w.start()
			c = w.open()
			c.good(w.leaves)
			for range 5 {
				c.has(w.push("tab-3", 3))
			}
			before = c.Newest()
			c.stop()
			if whole, err = os.ReadFile(entries); err != nil {
				t.Fatal(err)
			}
		})
	}
	w.t = t
}

func write(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

func flip(t testing.TB, path string, at int) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[at] ^= 0x10
	write(t, path, b)
}

// Both are lost: a new epoch, told in the open until somebody has taken note.
func TestBothLost(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 5 {
		c.has(w.push("tab-1", 2))
	}
	part := c.Newest().Checkpoint
	w.stop()
	c.stop()
	w.start()
	c = w.open()
	for range 5 {
		c.has(w.push("tab-2", 2))
	}
	old := c.Newest().Checkpoint
	c.stop()
	w.stop()
	w.lose(w.folder(wire.Log))
	w.lose(w.trust.LogDir())
	w.start()

	c = &centre{w: w, dir: w.trust.LogDir()}
	c.known = []checkpoint.Checkpoint{part, {Origin: old.Origin, Size: 3, Root: root(w.leaves[:4])}, {Origin: "another", Size: 20, Root: old.Root}}
	c.open(w.trust.Log())
	c.wantAlarms()
	c.good(w.leaves)
	if origin := c.Newest().Origin; origin != strings.TrimSuffix(old.Origin, "1")+"2" {
		t.Errorf("the origin is %s, was %s", origin, old.Origin)
	}
	for range 3 {
		c.has(w.push("tab-1", 1)) // it is told again with what comes
	}
	c.good(w.leaves)
	c.stop()
	if want := []epoch{{}, {old, 20}}; !slices.Equal(c.epochs, want) {
		t.Errorf("told %+v, want %+v", c.epochs, want)
	}

	// Once told, it is not told again, and the epoch stays.
	c = w.open()
	c.has(w.push("tab-1", 1))
	c.good(w.leaves)
	c.wantAlarms()
	c.stop()
	if len(c.epochs) > 0 {
		t.Errorf("told again: %+v", c.epochs)
	}
}

// All is lost but the key and a part of RECORDS.
func TestMuchLost(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 5 {
		c.has(w.push("tab-1", 2))
	}
	part := c.Newest().Checkpoint
	leaves := slices.Clone(w.leaves)
	c.stop()
	w.stop()
	restore := w.save(wire.Records)
	w.start()
	c = w.open()
	for range 5 {
		c.has(w.push("tab-2", 2))
	}
	old := c.Newest().Checkpoint
	c.stop()
	w.stop()
	w.lose(w.folder(wire.Log))
	w.lose(w.trust.LogDir())
	restore()
	w.start()
	c = &centre{w: w, dir: w.trust.LogDir(), known: []checkpoint.Checkpoint{part}}
	c.open(w.trust.Log())
	c.good(leaves)
	c.has(w.put("tab-3", 1, records("tab-3", 1, 1)))
	c.has(w.put("tab-3", 2, records("tab-3", 2, 2)))
	c.stop()
	if want := []epoch{{}, {old, part.Size}}; !slices.Equal(c.epochs, want) {
		t.Errorf("told %+v, want %+v", c.epochs, want)
	}
}

// A tail that both lost is made from RECORDS once more: same leaves, same roots, no new epoch.
func TestTailLost(t *testing.T) {
	for _, healed := range []bool{false, true} {
		t.Run(fmt.Sprintf("RECORDS another %v", healed), func(t *testing.T) {
			w := newWorld(t)
			c := w.open()
			for range 5 {
				c.has(w.push("tab-1", 2))
			}
			c.stop()
			w.stop()
			log, recs := w.save(wire.Log), w.save(wire.Records)
			files := t.TempDir()
			copyDir(t, w.trust.LogDir(), files)
			w.start()
			c = w.open()
			for range 5 {
				c.has(w.push("tab-2", 2))
			}
			old := c.Newest()
			c.stop()
			w.stop()
			log()
			w.lose(w.trust.LogDir())
			copyDir(t, files, w.trust.LogDir())
			if !healed {
				w.start()
				c = w.open()
				if got := c.Newest(); got.Checkpoint != old.Checkpoint {
					t.Fatalf("the log is %v, was %v", got, old)
				}
				c.wantAlarms()
				return
			}
			recs()
			w.start()
			w.put("tab-2", 5, records("tab-2", 5, 10)) // in another order
			w.put("tab-2", 1, records("tab-2", 1, 4))
			c = w.open()
			c.wantAlarms()
			if got := c.Newest(); got.Origin == old.Origin || got.Size != old.Size || got.Root == old.Root {
				t.Errorf("the log is %v, was %v", got, old)
			}
		})
	}
}

// RECORDS goes back to an older state, and what it lost comes again at other places: the log keeps its leaves.
func TestRecordsCutBack(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 5 {
		c.has(w.push("tab-1", 2))
	}
	c.stop()
	w.stop()
	restore := w.save(wire.Records)
	w.start()
	c = w.open()
	for range 10 {
		c.has(w.push("tab-2", 2))
	}
	before := c.Newest()
	c.stop()
	w.stop()
	restore()
	w.start()
	c = w.open()
	if got := c.Newest(); got.Checkpoint != before.Checkpoint {
		t.Fatalf("the log is %v, was %v", got, before)
	}
	c.has(5)
	// First what is new, at places that were taken; then what was lost.
	fresh := w.push("tab-3", 4)
	if fresh != 6 {
		t.Fatalf("it is message %d, want 6", fresh)
	}
	c.has(fresh)
	c.good(w.leaves)
	if i, ok := c.Leaf("tab-3", 1, events.HashRecord(record("tab-3", 1, ""))); !ok || i != before.Size {
		t.Errorf("the leaf of what is new is %d, %v", i, ok)
	}
	c.has(w.put("tab-2", 1, records("tab-2", 1, 20)))
	c.good(w.leaves)
	c.stop()
	c = w.open()
	c.has(w.push("tab-2", 1))
	c.good(w.leaves)
	c.wantAlarms()
}

// LOG has another history than the file: the log stops, tells, and serves what both have.
func TestRewritten(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 5 {
		c.has(w.push("tab-1", 2))
	}
	both := c.Newest()
	c.stop()
	w.stop()
	files, log, recs := t.TempDir(), w.save(wire.Log), w.save(wire.Records)
	copyDir(t, w.trust.LogDir(), files)
	keyFile := filepath.Join(w.dir, "keys", "log.json")
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	w.start()
	c = w.open()
	for range 5 {
		c.has(w.push("tab-2", 2))
	}
	published := c.Newest()
	c.stop()

	// Somebody takes all back to an older state, and lets another story be told.
	w.stop()
	log()
	recs()
	w.start()
	other := filepath.Join(t.TempDir(), "log.json")
	write(t, other, key)
	second := w.openIn(files, openKey(t, other))
	second.has(w.put("tab-2", 1, [][]byte{record("tab-2", 1, "better"), record("tab-2", 2, "")}))
	for range 6 {
		second.has(w.push("tab-3", 2))
	}
	second.stop()

	c = w.open()
	c.wantAlarms(publog.Rewritten)
	got := c.Newest()
	if got.Checkpoint != both.Checkpoint {
		t.Errorf("it serves %v, want %v", got, both)
	}
	if err := c.Wait(w.soon(), 1); !errors.Is(err, publog.ErrRewritten) {
		t.Errorf("Wait: %v", err)
	}
	if _, err := c.Root(both.Size + 1); !errors.Is(err, publog.ErrSize) {
		t.Errorf("beyond what both have: %v", err)
	}
	if _, ok := c.Leaf("tab-2", 1, events.HashRecord(record("tab-2", 1, ""))); ok {
		t.Error("a leaf is served that LOG does not have")
	}
	if p, err := c.Extension(both.Size-1, both.Size); err != nil || len(p) == 0 {
		t.Errorf("within what both have: %v, %v", p, err)
	}
	c.stop()
	c = w.open() // a restart chooses none of them either
	c.wantAlarms(publog.Rewritten)
	c.stop()

	// The file is taken away: but LOG is not what was signed, and so an epoch ends.
	w.lose(w.trust.LogDir())
	c = w.open()
	c.wantAlarms(publog.FileLost)
	c.has(w.push("tab-3", 1))
	c.has(w.push("tab-3", 1))
	c.stop()
	if len(c.epochs) != 2 || c.epochs[1].old != published.Checkpoint || c.epochs[1].common != 0 {
		t.Errorf("told %+v", c.epochs)
	}
}

func openKey(t testing.TB, path string) *publog.Key {
	t.Helper()
	k, err := publog.OpenKey(path, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

var seedFlag = flag.Uint64("publog.seed", 0, "the seed of TestTwoCentres; 0 for another each time")

// Two centres over one broker, which end and start again and again, each with a file of its own: never two roots for one
// size, and in the end the same log, with every leaf once.
func TestTwoCentres(t *testing.T) {
	seed := cmp.Or(*seedFlag, rand.Uint64())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	w := newWorld(t)
	var centres [2]*centre
	keys := [2]*publog.Key{w.trust.Log()}
	keyFile, err := os.ReadFile(filepath.Join(w.dir, "keys", "log.json"))
	if err != nil {
		t.Fatal(err)
	}
	dirs := [2]string{w.trust.LogDir(), filepath.Join(t.TempDir(), "log")}
	other := filepath.Join(t.TempDir(), "log.json")
	write(t, other, keyFile)
	keys[1] = openKey(t, other)
	roots := map[uint64]events.Hash{}
	look := func(c *centre) {
		if s := c.Newest(); s.Size > 0 {
			if r, ok := roots[s.Size]; ok && r != s.Root {
				t.Fatalf("two roots for %d leaves", s.Size)
			}
			roots[s.Size] = s.Root
		}
	}
	for i := range centres {
		centres[i] = w.openIn(dirs[i], keys[i])
	}
	var last uint64
	for range 400 {
		i := random.IntN(2)
		switch n := random.IntN(100); {
		case n < 4: // ends in order
			centres[i].stop()
			centres[i] = w.openIn(dirs[i], keys[i])
		case n < 8: // is cut off, whatever it was at
			centres[i].conn.Close()
			centres[i].stop()
			centres[i] = w.openIn(dirs[i], keys[i])
		case n < 9: // loses its file
			centres[i].stop()
			w.lose(dirs[i])
			centres[i] = w.openIn(dirs[i], keys[i])
		case n < 20: // something comes again
			d := events.DeviceID(fmt.Sprintf("tab-%d", random.IntN(5)))
			if to := w.pushed[d]; to > 0 {
				from := 1 + events.Seq(random.Uint64N(uint64(to)))
				last = w.put(d, from, records(d, from, min(to, from+50)))
			}
		default:
			last = w.push(events.DeviceID(fmt.Sprintf("tab-%d", random.IntN(5))), 1+random.IntN(20))
		}
		look(centres[0])
		look(centres[1])
	}
	for _, c := range centres {
		c.has(last)
	}
	// One may have the last entry before the other has read it.
	w.eventually("both have the same", func() bool { return centres[0].Newest().Checkpoint == centres[1].Newest().Checkpoint })
	for _, c := range centres {
		c.good(w.leaves)
		for _, k := range c.kinds() {
			if k != publog.FileLost {
				t.Errorf("alarm %s", k)
			}
		}
	}
	size, place := uint64(0), uint64(0)
	for _, m := range w.inLog() {
		log, err := wire.DecodeLog(m.Data)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range log.Entries {
			if e.First() != size || e.Root != root(w.leaves[:e.Size]) {
				t.Fatalf("message %d goes from %d to %d leaves, behind %d", m.Sequence, e.First(), e.Size, size)
			}
			if e.Place.Seq != place+1 {
				t.Fatalf("message %d has the entry of message %d of RECORDS behind that of %d", m.Sequence, e.Place.Seq, place)
			}
			size, place = e.Size, e.Place.Seq
		}
	}
	for size, r := range roots {
		if r != root(w.leaves[:size]) {
			t.Errorf("a checkpoint of %d leaves had another root", size)
		}
	}
}

// A stream is lost under a running log: the log notices, and has all again.
func TestLostWhileRunning(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 5 {
		c.has(w.push("tab-1", 2))
	}
	w.forget(wire.Log)
	c.has(w.push("tab-1", 2))
	c.good(w.leaves)
	c.wantAlarms(publog.StreamLost)

	w.forget(wire.Records)
	w.push("tab-2", 1)
	w.eventually("what comes into the new stream is logged", func() bool { return int(c.Newest().Size) == len(w.leaves) })
	c.has(w.put("tab-1", 1, records("tab-1", 1, 12)))
	c.good(w.leaves)
	c.stop()

	w.lose(w.trust.LogDir())
	c = w.open()
	c.good(w.leaves)
	c.stop()
	if _, _, err := streams(w, c.conn); !errors.Is(err, stream.ErrUnavailable) {
		t.Errorf("streams over a connection that is closed: %v", err)
	}
}

// LOG has lost messages in its middle, and has those behind them: they are in it again, for whoever has nothing else.
func TestGap(t *testing.T) {
	w := newWorld(t)
	js := w.spy()
	s, err := js.Stream(w.soon(), wire.Log.Name)
	if err != nil {
		t.Fatal(err)
	}
	loose := s.CachedInfo().Config
	loose.DenyDelete = false
	if err := js.DeleteStream(w.soon(), wire.Log.Name); err != nil {
		t.Fatal(err)
	}
	if s, err = js.CreateStream(w.soon(), loose); err != nil {
		t.Fatal(err)
	}
	c := w.open()
	for range 10 {
		c.has(w.push("tab-1", 2))
	}
	before := c.Newest()
	c.stop()
	for _, seq := range []uint64{4, 5, 8} {
		if err := s.SecureDeleteMsg(w.soon(), seq); err != nil {
			t.Fatal(err)
		}
	}
	c = w.open()
	c.wantAlarms(publog.StreamLost)
	c.has(w.push("tab-1", 2))
	c.good(w.leaves)
	c.stop()
	c = w.open() // the gap is still there, and is none any more
	c.wantAlarms()
	c.stop()
	w.lose(w.trust.LogDir())
	c = w.open()
	c.wantAlarms(publog.FileLost)
	c.good(w.leaves)
	c.stop()

	// Without the file, the rest of a log with a gap is lost; here RECORDS brings it again.
	w.lose(w.trust.LogDir())
	for seq := uint64(9); seq <= 20; seq++ {
		if err := s.SecureDeleteMsg(w.soon(), seq); err != nil && seq < 12 {
			t.Fatal(err)
		}
	}
	c = w.open()
	c.wantAlarms(publog.FileLost)
	c.good(w.leaves)
	if now := c.Newest(); now.Origin != before.Origin {
		t.Errorf("another epoch, %s", now.Origin)
	}
}

// Entries without leaves are taken once, however often LOG is read.
func TestEmptyEntriesOnce(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	w.push("tab-1", 2)
	for range 3 {
		c.has(w.put("tab-1", 1, records("tab-1", 1, 2)))
	}
	c.stop()
	w.stop()
	w.lose(w.folder(wire.Log))
	w.start()
	path := filepath.Join(w.trust.LogDir(), "epoch-1.entries")
	for range 3 {
		c = w.open()
		c.has(4)
		c.stop()
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, list, _, err := readFile(b); err != nil || len(list) != 4 {
			t.Fatalf("%d entries, want 4 (%v)", len(list), err)
		}
	}
}

// An entry whose root is not that of its leaves: nobody who keeps to the rules writes it.
func TestFalseRoot(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for range 4 {
		c.has(w.push("tab-1", 2))
	}
	before := c.Newest()
	c.stop()

	// In the file, with sums that hold.
	path := filepath.Join(w.trust.LogDir(), "epoch-1.entries")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(b, w.leaves[2][:])
	b[at] ^= 1
	sumAgain(b)
	write(t, path, b)
	c = w.open()
	c.wantAlarms(publog.FileDamaged)
	if got := c.Newest(); got.Checkpoint != before.Checkpoint {
		t.Fatalf("the log is %v, was %v", got, before)
	}
	c.stop()

	// In LOG.
	list := w.inLog()
	log, err := wire.DecodeLog(list[len(list)-1].Data)
	if err != nil {
		t.Fatal(err)
	}
	e := &log.Entries[len(log.Entries)-1]
	e.Size, e.Runs = e.Size+1, []wire.LogRun{{First: 9, Leaves: []events.Hash{{1}}}}
	log.Entries = []wire.LogEntry{*e}
	if _, err := w.spy().Publish(w.soon(), wire.LogSubject, log.Encode()); err != nil {
		t.Fatal(err)
	}
	c = w.open()
	c.wantAlarms(publog.Rewritten)
	if got := c.Newest(); got.Checkpoint != before.Checkpoint {
		t.Errorf("the log is %v, was %v", got, before)
	}
	c.stop()

	// While it runs, it stops too.
	w2 := newWorld(t)
	c = w2.open()
	c.has(w2.push("tab-1", 2))
	log.Origin = c.Newest().Origin
	if _, err := w2.spy().Publish(w2.soon(), wire.LogSubject, log.Encode()); err != nil {
		t.Fatal(err)
	}
	last := w2.push("tab-1", 2)
	c.has(last) // it begins behind what is there: passed over
	log.Entries[0].Size, log.Entries[0].News = 3, 3
	if _, err := w2.spy().Publish(w2.soon(), wire.LogSubject, log.Encode()); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(w2.soon(), w2.push("tab-1", 2)); !errors.Is(err, publog.ErrRewritten) {
		t.Errorf("Wait: %v", err)
	}
	if got := c.Newest(); got.Size != 4 {
		t.Errorf("it serves %v", got)
	}
	c.wantAlarms(publog.Rewritten)
}

// Messages of others in LOG are passed over; a later epoch of this log is gone over to.
func TestOthersInLog(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	c.has(w.push("tab-1", 2))
	origin := c.Newest().Origin
	entry := wire.LogEntry{Device: "tab-9", Runs: []wire.LogRun{{First: 1, Leaves: []events.Hash{{1}}}}, Size: 1, Root: events.Hash{1}}
	spy := w.spy()
	for _, data := range [][]byte{
		[]byte("nothing"), (&wire.LogMessage{Origin: "ullage.log/0123456789abcdef/1", Entries: []wire.LogEntry{entry}}).Encode(),
		(&wire.LogMessage{Origin: origin + "x", Entries: []wire.LogEntry{entry}}).Encode(),
	} {
		if _, err := spy.Publish(w.soon(), wire.LogSubject, data); err != nil {
			t.Fatal(err)
		}
	}
	c.has(w.push("tab-1", 2))
	c.good(w.leaves)
	c.wantAlarms()
	later := strings.TrimSuffix(origin, "1") + "7"
	if _, err := spy.Publish(w.soon(), wire.LogSubject, (&wire.LogMessage{Origin: later, Entries: []wire.LogEntry{entry}}).Encode()); err != nil {
		t.Fatal(err)
	}
	w.push("tab-1", 1)
	want := append([]events.Hash{{1}}, w.leaves...)
	w.eventually("the log is that of the later epoch", func() bool { return int(c.Newest().Size) == len(want) })
	c.good(want)
	if got := c.Newest().Origin; got != later {
		t.Errorf("the origin is %s, want %s", got, later)
	}
	c.wantAlarms(publog.OtherEpoch)
	w.eventually("the end of the epoch before is told", func() bool {
		w.push("tab-1", 1)
		c.mu.Lock()
		defer c.mu.Unlock()
		return len(c.epochs) == 2
	})
	c.stop()
	c = w.open()
	c.wantAlarms()
	if got := c.Newest().Origin; got != later {
		t.Errorf("after a restart the origin is %s, want %s", got, later)
	}
}

// The key is made once. A log without its key is an error, not a new key.
func TestKey(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "log.json")
	never := func() (string, error) { return "", nil }
	k, err := publog.OpenKey(path, bytes.NewReader(make([]byte, 32)), never)
	if err != nil {
		t.Fatal(err)
	}
	again, err := publog.OpenKey(path, nil, nil)
	if err != nil || !again.Public().Equal(k.Public()) {
		t.Fatalf("again: %v", err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(string) string{
		"cut":            func(s string) string { return s[:len(s)/2] },
		"more":           func(s string) string { return s + "{}" },
		"field":          func(s string) string { return strings.Replace(s, `"epoch"`, `"epok"`, 1) },
		"epoch":          func(s string) string { return strings.Replace(s, `"epoch": 1`, `"epoch": 0`, 1) },
		"version":        func(s string) string { return strings.Replace(s, `"version": 1`, `"version": 2`, 1) },
		"seed":           func(s string) string { return strings.Replace(s, `"seed": "AA`, `"seed": "BA`, 1) },
		"short seed":     func(s string) string { return strings.Replace(s, `"seed": "AAAA`, `"seed": "`, 1) },
		"no signed note": func(s string) string { return strings.Replace(s, `"newest": ""`, `"newest": "x"`, 1) },
	} {
		bad := change(string(whole))
		if bad == string(whole) {
			t.Fatalf("%s: nothing changed", name)
		}
		write(t, path, []byte(bad))
		if _, err := publog.OpenKey(path, nil, never); !errors.Is(err, publog.ErrKey) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := publog.OpenKey(path, nil, func() (string, error) { return "log/epoch-1.entries", nil }); !errors.Is(err, publog.ErrKey) || !strings.Contains(err.Error(), "log/epoch-1.entries") {
		t.Errorf("a lost key: %v", err)
	}
}
