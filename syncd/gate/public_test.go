package gate

import (
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"strings"
	"sync"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// publicLog is a public log in memory, over the hashes within its tree as tlog stores them.
type publicLog struct {
	key ed25519.PrivateKey

	mu     sync.Mutex
	size   uint64
	stored []tlog.Hash
	had    map[events.Seq]events.Hash // records under numbers that RECORDS does not have
}

func (l *publicLog) Differs(_ events.DeviceID, seq events.Seq, hash events.Hash) (bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	h, ok := l.had[seq]
	return ok && h != hash, nil
}

// has makes the log have a record under a number.
func (l *publicLog) has(seq events.Seq, hash events.Hash) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.had == nil {
		l.had = map[events.Seq]events.Hash{}
	}
	l.had[seq] = hash
}

func (l *publicLog) read(indexes []int64) ([]tlog.Hash, error) {
	var list []tlog.Hash
	for _, i := range indexes {
		list = append(list, l.stored[i])
	}
	return list, nil
}

func (l *publicLog) add(leaves ...string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, leaf := range leaves {
		more, err := tlog.StoredHashes(int64(l.size), []byte(leaf), tlog.HashReaderFunc(l.read))
		if err != nil {
			panic(err)
		}
		l.stored, l.size = append(l.stored, more...), l.size+1
	}
}

func (l *publicLog) Newest() checkpoint.Signed {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.size == 0 {
		return checkpoint.Signed{}
	}
	root, err := tlog.TreeHash(int64(l.size), tlog.HashReaderFunc(l.read))
	if err != nil {
		panic(err)
	}
	c := checkpoint.Checkpoint{Origin: "ullage.log/test/1", Size: l.size, Root: events.Hash(root)}
	note, err := checkpoint.Sign(c, l.key)
	if err != nil {
		panic(err)
	}
	return checkpoint.Signed{Checkpoint: c, Note: note, News: l.size - 1}
}

func (l *publicLog) Root(size uint64) (events.Hash, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	root, err := tlog.TreeHash(int64(size), tlog.HashReaderFunc(l.read))
	return events.Hash(root), err
}

func (l *publicLog) Extension(then, now uint64) (proof []events.Hash, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	list, err := tlog.ProveTree(int64(now), int64(then), tlog.HashReaderFunc(l.read))
	for _, h := range list {
		proof = append(proof, events.Hash(h))
	}
	return proof, err
}

// A hello is answered with the newest checkpoint and the proof that it goes on from what the device has seen; receipts
// have it too. What a device has checked and this log never had is told, whether a hello says it or a seal.
func TestPublicLog(t *testing.T) {
	w := newWorld(t)
	log := &publicLog{key: ed25519.NewKeyFromSeed(make([]byte, 32))}
	var mu sync.Mutex
	var conflicts []Conflict
	told := func() []Conflict {
		mu.Lock()
		defer mu.Unlock()
		list := conflicts
		conflicts = nil
		return list
	}
	w.run(w.gate(func(c *Config) {
		c.Public, c.Conflict = log, func(x Conflict) {
			mu.Lock()
			defer mu.Unlock()
			conflicts = append(conflicts, x)
		}
	}))
	d := w.device("tab-1")
	d.writeOrdinary(9)
	hello := func(seen checkpoint.Checkpoint) *wire.HelloAnswer {
		t.Helper()
		a := d.hello(9, d.links[9], func(q *wire.HelloRequest, _ string) {
			if !seen.IsZero() {
				q.Seen = seen.Text()
			}
		})
		h, err := wire.DecodeHelloAnswer(a.Body)
		if a.Status != wire.OK || err != nil {
			t.Fatal(a.Status, a.Reason, err)
		}
		return h
	}
	if h := hello(checkpoint.Checkpoint{}); h.Checkpoint != "" || h.Proof != nil {
		t.Errorf("of an empty log it shows %q", h.Checkpoint)
	}
	log.add("a", "b", "c")
	newest := log.Newest()
	three, note := newest.Checkpoint, newest.Note
	if h := hello(checkpoint.Checkpoint{}); h.Checkpoint != note || h.News != 2 || h.Proof != nil {
		t.Errorf("of three leaves it shows %q, with news up to %d", h.Checkpoint, h.News)
	}
	log.add("d", "e", "f", "g")
	newest = log.Newest()
	seven, note := newest.Checkpoint, newest.Note
	h := hello(three)
	if err := checkpoint.Extends(three, seven, h.Proof); err != nil || h.Checkpoint != note {
		t.Errorf("%q does not go on from three leaves: %v", h.Checkpoint, err)
	}
	if h := hello(seven); h.Proof != nil {
		t.Error("there is a proof of nothing")
	}
	if r := d.sends(1, 3); r.Checkpoint != note {
		t.Errorf("the receipt has %q", r.Checkpoint)
	}
	if list := told(); list != nil {
		t.Errorf("told of %+v", list)
	}

	other := three
	other.Root[0] ^= 1
	beyond := seven
	beyond.Size = 8
	earlier := other
	earlier.Origin = "ullage.log/test/0"
	for _, c := range []struct {
		seen checkpoint.Checkpoint
		why  string // empty: it is no conflict
	}{
		{three, ""}, {earlier, ""},
		{other, "for 3 leaves the device has checked another root"},
		{beyond, "has 7 leaves here, and the device has checked 8"},
	} {
		hello(c.seen)
		list := told()
		if len(list) == 0 && c.why == "" {
			continue
		}
		if len(list) != 1 || list[0].Device != d.id || list[0].Seen != c.seen || list[0].Ours != note || !strings.Contains(list[0].Why, c.why) {
			t.Errorf("a hello that has seen %+v: told %+v", c.seen, list)
		}
	}
	for first := events.Seq(4); first < 8; first++ {
		seen := []checkpoint.Checkpoint{three, other}[first%2]
		q := d.push(first, first)
		q.Seals = []events.Seal{events.SignSeal(d.key, d.id, first, d.links[first], seen.Text())}
		if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
			t.Fatal(a.Status, a.Reason)
		}
		list := told()
		if seen == three && list == nil {
			continue
		}
		if len(list) != 1 || list[0].At != first {
			t.Errorf("a seal that has seen %+v: told %+v", seen, list)
			continue
		}
		// What proves it is the device's own seal.
		raw, err := hex.DecodeString(list[0].Seal)
		if err != nil {
			t.Fatal(err)
		}
		seal, err := wire.DecodeSeal(raw)
		if err == nil {
			err = events.VerifySeal(d.known().Key, d.id, d.links[first], seal)
		}
		if err != nil || seal.Seen != other.Text() {
			t.Errorf("the seal in the evidence: %+v, %v", seal, err)
		}
	}
	// What cannot be read as a checkpoint stops nothing.
	q := d.push(8, 8)
	q.Seals = []events.Seal{events.SignSeal(d.key, d.id, 8, d.links[8], fmt.Sprintln("nonsense"))}
	if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Error(a.Status, a.Reason)
	}
	if a := d.hello(9, d.links[9], func(q *wire.HelloRequest, _ string) { q.Seen = "nonsense" }); a.Status != wire.OK {
		t.Error(a.Status, a.Reason)
	}
	if list := told(); list != nil {
		t.Errorf("told of %+v", list)
	}
}

func (l *publicLog) Leaf(_ events.DeviceID, _ events.Seq, hash events.Hash) (uint64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range l.size {
		if events.Hash(l.stored[tlog.StoredHashIndex(0, int64(i))]) == hash {
			return i, true
		}
	}
	return 0, false
}
