package agent_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"ullage/agent"
	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// centreLog is a centre's public log, which a test can rewrite. The proofs are those of tlog, over the hashes within the
// tree.
type centreLog struct {
	key    ed25519.PrivateKey
	epoch  int
	leaves []events.Hash
	news   uint64

	shown    func(*wire.HelloAnswer) // what a centre that lies makes of its answer
	receipts string                  // the checkpoint that it puts into receipts instead
}

// logged is a centre with a log.
func logged(t testing.TB) *centre {
	c := newCentre(t)
	seed := sha256.Sum256([]byte("log"))
	c.log = &centreLog{key: ed25519.NewKeyFromSeed(seed[:]), epoch: 1}
	c.log.append([]byte("device.enrolled"))
	return c
}

func (l *centreLog) public() []byte {
	if l == nil {
		return nil
	}
	return l.key.Public().(ed25519.PublicKey)
}

// add puts records into the log.
func (l *centreLog) add(records [][]byte) {
	if l == nil {
		return
	}
	for _, raw := range records {
		l.append(raw)
	}
}

func (l *centreLog) append(raw []byte) {
	l.leaves = append(l.leaves, events.HashRecord(raw))
	if r, err := events.DecodeRecord(raw); err != nil || r.Kind != "checkpoint.seen" && r.Kind != "clock.checked" {
		l.news = uint64(len(l.leaves))
	}
}

// tree is the hashes within the tree, as tlog stores them.
func (l *centreLog) tree() tlog.HashReaderFunc {
	var stored []tlog.Hash
	read := func(indexes []int64) ([]tlog.Hash, error) {
		var list []tlog.Hash
		for _, i := range indexes {
			list = append(list, stored[i])
		}
		return list, nil
	}
	for i, leaf := range l.leaves {
		more, err := tlog.StoredHashesForRecordHash(int64(i), tlog.Hash(leaf), tlog.HashReaderFunc(read))
		if err != nil {
			panic(err)
		}
		stored = append(stored, more...)
	}
	return read
}

func (l *centreLog) at(size uint64) checkpoint.Checkpoint {
	root, err := tlog.TreeHash(int64(size), l.tree())
	if err != nil {
		panic(err)
	}
	return checkpoint.Checkpoint{Origin: fmt.Sprintf("ullage.log/test/%d", l.epoch), Size: size, Root: events.Hash(root)}
}

func (l *centreLog) newest() string {
	if l == nil || len(l.leaves) == 0 {
		return ""
	}
	note, err := checkpoint.Sign(l.at(uint64(len(l.leaves))), l.key)
	if err != nil {
		panic(err)
	}
	return note
}

// receipted is the checkpoint that stands in receipts.
func (l *centreLog) receipted() string {
	if l != nil && l.receipts != "" {
		return l.receipts
	}
	return l.newest()
}

func (l *centreLog) greet(q *wire.HelloRequest, a *wire.HelloAnswer) {
	if l == nil {
		return
	}
	a.Checkpoint, a.News = l.newest(), l.news
	if seen, err := checkpoint.Parse(q.Seen); err == nil && seen.Size < uint64(len(l.leaves)) {
		proof, err := tlog.ProveTree(int64(len(l.leaves)), int64(seen.Size), l.tree())
		if err != nil {
			panic(err)
		}
		for _, h := range proof {
			a.Proof = append(a.Proof, events.Hash(h))
		}
	}
	if l.shown != nil {
		l.shown(a)
	}
}

// seenIn are the sizes in a device's checkpoint.seen, in the order of its chain.
func seenIn(t testing.TB, k *copied) (sizes []uint64) {
	t.Helper()
	for _, raw := range k.records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			t.Fatal(err)
		}
		if r.Kind != "checkpoint.seen" {
			continue
		}
		body, err := events.DecodeBody(r.Kind, r.V, r.Body)
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, uint64(body.(*events.CheckpointSeen).Size))
	}
	return sizes
}

// A device checks each new checkpoint, writes it down before it sends what it has, and puts it into its seals; and a log
// that has grown by nothing but such words is not worth another.
func TestCheckpointSeen(t *testing.T) {
	c := logged(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	if notice, err := d.Fetch(t.Context()); err != nil || notice != nil {
		t.Fatal(notice, err)
	}
	if s := status(t, d); s.Records != 0 || s.Log == nil || s.Log.Size != 1 {
		t.Fatalf("after the first fetch there are %d records, and what was checked is %+v", s.Records, s.Log)
	}
	record(t, d, visit(1))
	drained(t, c, d)
	drained(t, c, d) // its visit is news: it is checked, and written down, once
	for range 3 {
		drained(t, c, d)
	}
	c.with(func(k *copied) {
		if got := seenIn(t, k); !slices.Equal(got, []uint64{1, 5}) {
			t.Errorf("checkpoint.seen of the sizes %v, want 1 and 5", got)
		}
		if want := c.log.at(1).Text(); k.seen[0] != want || k.seen[1] != want || k.seen[2] != want {
			t.Errorf("the visit's seals have seen %q, want %q each", k.seen[:3], want)
		}
		if want := c.log.at(5).Text(); k.seen[len(k.seen)-1] != want {
			t.Errorf("the last seal has seen %q, want %q", k.seen[len(k.seen)-1], want)
		}
	})
	s := status(t, d)
	if s.Log.Size != 6 || s.Receipt == nil || s.Receipt.Last != 5 || s.Receipt.Checkpoint == nil || s.Receipt.Checkpoint.Size != 6 {
		t.Errorf("status has %+v and %+v", s.Log, s.Receipt)
	}
	d.Close()
	if report, err := agent.Check(t.Context(), dir); err != nil || !report.OK {
		t.Errorf("%+v, %v", report, err)
	}
}

// A centre that changes its past in any way is found out at the next hello. The device goes on working and keeps both
// checkpoints, over restarts, and what it had checked stays what it holds others to.
func TestChangedPast(t *testing.T) {
	for name, change := range map[string]func(l *centreLog){
		"another record in its place": func(l *centreLog) { l.leaves[2][0] ^= 1 },
		"a record taken out": func(l *centreLog) {
			l.leaves = slices.Delete(l.leaves, 1, 2)
			l.add([][]byte{[]byte("more"), []byte("and more")})
		},
		"a record put between": func(l *centreLog) { l.leaves = slices.Insert(l.leaves, 1, events.Hash{7}) },
		"a shorter log":        func(l *centreLog) { l.leaves = l.leaves[:2] },
		"no log":               func(l *centreLog) { l.shown = func(a *wire.HelloAnswer) { a.Checkpoint, a.Proof = "", nil } },
		"another key":          func(l *centreLog) { l.key = ed25519.NewKeyFromSeed(bytes.Repeat([]byte{9}, 32)) },
		"no proof":             func(l *centreLog) { l.append([]byte("more")); l.shown = func(a *wire.HelloAnswer) { a.Proof = nil } },
		"another origin":       func(l *centreLog) { l.epoch = 2; l.leaves[0][0] ^= 1; l.append([]byte("more")) },
	} {
		t.Run(name, func(t *testing.T) {
			c := logged(t)
			dir := enrolled(t, c)
			d := opened(t, dir, config())
			record(t, d, visit(1))
			drained(t, c, d)
			drained(t, c, d)
			had := status(t, d).Log
			c.with(func(*copied) { change(c.log) })
			record(t, d, visit(1))
			if notice, err := d.Sync(t.Context(), nil); err != nil || notice != nil {
				t.Fatalf("it stops working: %v, %v", notice, err)
			}
			s := status(t, d)
			if s.Waiting != 0 || len(s.Alarms) == 0 || !strings.Contains(s.Alarms[0], "the centre's past was changed") {
				t.Fatalf("%d wait, alarms %q", s.Waiting, s.Alarms)
			}
			if anew := name == "another origin"; (*s.Log == *had) == anew {
				t.Errorf("it holds others to %+v, and had checked %+v", s.Log, had)
			}
			d.Close()
			looked, err := agent.Look(dir)
			if err != nil || len(looked.Alarms) == 0 {
				t.Errorf("after the end of the program the alarms are %q, %v", looked.Alarms, err)
			}
			if report, err := agent.Check(t.Context(), dir); err != nil || report.OK {
				t.Errorf("check finds nothing: %v", err)
			}
			var kept struct {
				Conflicts []agent.Conflict `json:"conflicts"`
			}
			b, err := os.ReadFile(filepath.Join(dir, "log.json"))
			if err == nil {
				err = json.Unmarshal(b, &kept)
			}
			if err != nil || len(kept.Conflicts) == 0 {
				t.Fatalf("nothing is kept as evidence: %v", err)
			}
			first := kept.Conflicts[0]
			checked, err := checkpoint.Open(first.Checked, logKey())
			if err != nil || checked.Size != had.Size || checked.Root.String() != had.Root {
				t.Errorf("of what was checked it keeps %q, %v", first.Checked, err)
			}
			if (first.Shown == "") != (name == "no log") {
				t.Errorf("of what was shown it keeps %q", first.Shown)
			}
		})
	}
}

func logKey() ed25519.PublicKey {
	seed := sha256.Sum256([]byte("log"))
	return ed25519.NewKeyFromSeed(seed[:]).Public().(ed25519.PublicKey)
}

// A log that begins anew and still has all that was checked is no alarm. It is told, and guarded from then on.
func TestNewEpoch(t *testing.T) {
	c := logged(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(1))
	drained(t, c, d)
	c.with(func(*copied) { c.log.epoch = 2; c.log.append([]byte("epoch.started")) })
	drained(t, c, d)
	if s := status(t, d); s.Log.Origin != "ullage.log/test/2" {
		t.Errorf("it guards %+v", s.Log)
	}
	d.Close()
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || len(report.Notes) == 0 || !strings.Contains(report.Notes[0], "began its log anew") {
		t.Errorf("%+v, %v", report, err)
	}
}

// A receipt whose checkpoint has another root for as many leaves gives a centre away that shows one past to the hello
// and another to the push.
func TestReceiptOfAnotherPast(t *testing.T) {
	c := logged(t)
	d := opened(t, enrolled(t, c), config())
	drained(t, c, d)
	c.with(func(*copied) {
		other := c.log.at(uint64(len(c.log.leaves)))
		other.Root[0] ^= 1
		note, err := checkpoint.Sign(other, c.log.key)
		if err != nil {
			t.Fatal(err)
		}
		c.log.receipts = note
	})
	record(t, d, visit(1))
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if s := status(t, d); s.Waiting != 0 || len(s.Alarms) != 1 || !strings.Contains(s.Alarms[0], "a receipt has another root") {
		t.Errorf("%d wait, alarms %q", s.Waiting, s.Alarms)
	}
}
