package entry

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"ullage/events"
)

// journal is a journal and a lookup in memory. It checks what is appended as an honest reader would.
type journal struct {
	head    events.Head
	first   events.Hash // link[0]
	records [][]byte
	seals   []events.Seal
	appends int
	pulled  [][]byte // records of others that are held
	fail    error    // of the next Append, after build
	busy    bool     // in an Append
}

func (j *journal) Append(build func(events.Head) (Batch, error)) (events.Head, error) {
	j.busy = true
	defer func() { j.busy = false }()
	b, err := build(j.head)
	if err != nil {
		return events.Head{}, err
	}
	if j.fail != nil {
		return events.Head{}, j.fail
	}
	j.appends++
	for _, raw := range b.Records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return events.Head{}, fmt.Errorf("appended: %w", err)
		}
		if r.Device != j.head.Device || r.Seq != j.head.Seq+1 {
			return events.Head{}, fmt.Errorf("appended %s %d after %s %d", r.Device, r.Seq, j.head.Device, j.head.Seq)
		}
		if r.Clock <= j.head.Clock && !bytes.Contains(r.Body, []byte("stepped_ms")) {
			return events.Head{}, fmt.Errorf("the clock fell with %s", r.Kind)
		}
		j.head = events.Head{Device: r.Device, Seq: r.Seq, Link: events.Link(j.head.Link, events.HashRecord(raw)), Clock: r.Clock}
		j.records = append(j.records, raw)
	}
	j.seals = append(j.seals, b.Seals...)
	return j.head, nil
}

func (j *journal) find(pulled bool, match func(*events.Record) bool) ([]byte, bool, error) {
	if j.busy {
		return nil, false, errors.New("looked up from within Append")
	}
	all := j.records
	if pulled {
		all = append(append([][]byte{}, j.records...), j.pulled...)
	}
	for _, raw := range all {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return nil, false, err
		}
		if match(&r) {
			return raw, true, nil
		}
	}
	return nil, false, nil
}

func (j *journal) ByID(id events.RecordID) ([]byte, bool, error) {
	return j.find(true, func(r *events.Record) bool { return r.ID == id })
}

func (j *journal) ByKey(key string) ([]byte, bool, error) {
	return j.find(false, func(r *events.Record) bool { return r.Key == key })
}

func (j *journal) Corrections(of events.Target) ([][]byte, error) {
	var all [][]byte
	_, _, err := j.find(true, func(r *events.Record) bool {
		if t, ok, err := events.CorrectionOf(r); ok && err == nil && t == of {
			raw, err := events.EncodeRecord(r)
			if err != nil {
				panic(err)
			}
			all = append(all, raw)
		}
		return false
	})
	return all, err
}

// target names a record of the journal by its number.
func (j *journal) target(seq events.Seq) events.Target {
	return events.Target{Device: j.head.Device, Seq: seq, Hash: events.HashRecord(j.records[seq-1])}
}

// pieces is evidence in memory.
type pieces struct {
	rng  *rand.ChaCha8
	held map[events.Digest]piece
	fail error
}

type piece struct{ salt, plain []byte }

func (p *pieces) Keep(plain []byte) (events.Digest, error) {
	if p.fail != nil {
		return events.Digest{}, p.fail
	}
	salt := make([]byte, 32)
	p.rng.Read(salt)
	d := events.Digest(sha256.Sum256(append(bytes.Clone(salt), plain...)))
	p.held[d] = piece{salt, bytes.Clone(plain)}
	return d, nil
}

func (p *pieces) Text(d events.Digest) ([]byte, bool, error) {
	held, ok := p.held[d]
	return held.plain, ok, nil
}

func (p *pieces) Same(d events.Digest, plain []byte) (bool, error) {
	held, ok := p.held[d]
	return ok && events.Digest(sha256.Sum256(append(bytes.Clone(held.salt), plain...))) == d, nil
}

// rig is a writer with all that it needs.
type rig struct {
	*Writer
	journal *journal
	pieces  *pieces
	key     ed25519.PrivateKey
	now     events.Millis
	zone    int
}

var noon = events.MillisOf(time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC))

func newRig(device events.DeviceID, office bool) *rig {
	var seed [32]byte
	copy(seed[:], device)
	rng := rand.NewChaCha8(seed)
	r := &rig{now: noon, zone: 60, key: ed25519.NewKeyFromSeed(seed[:]), pieces: &pieces{rng: rng, held: map[events.Digest]piece{}}}
	first := events.FirstLink(device, r.key.Public().(ed25519.PublicKey))
	r.journal = &journal{head: events.Head{Device: device, Link: first}, first: first}
	r.Writer = &Writer{
		Device: device, Office: office,
		Now:     func() events.Millis { return r.now },
		Zone:    func(events.Millis) int { return r.zone },
		Random:  func(b []byte) error { _, err := rng.Read(b); return err },
		Journal: r.journal, Lookup: r.journal, Evidence: r.pieces,
		Seal: func(seq events.Seq, link events.Hash) events.Seal {
			return events.SignSeal(r.key, device, seq, link, "")
		},
	}
	return r
}

// Text and ID make a rig a Shower of what it holds.
func (r *rig) Text(d events.Digest) ([]byte, bool, error) { return r.pieces.Text(d) }

func (r *rig) ID(t events.Target) (Named, bool, error) {
	raw, ok, err := r.journal.find(true, func(x *events.Record) bool {
		b, _ := events.EncodeRecord(x)
		return x.Device == t.Device && x.Seq == t.Seq && events.HashRecord(b) == t.Hash
	})
	if !ok {
		return Named{}, false, err
	}
	x, err := events.DecodeRecord(raw)
	return Named{x.ID, x.Kind, x.V}, true, err
}

// record records lines that must be good.
func (r *rig) record(t testing.TB, lines ...string) []Answer {
	t.Helper()
	answers, err := r.Record(strings.NewReader(strings.Join(lines, "\n")))
	if err != nil {
		t.Fatalf("Record: %v\nof %.400s", err, strings.Join(lines, "\n"))
	}
	return answers
}

// refuse records lines of which one must be bad, and checks that nothing was written.
func (r *rig) refuse(t testing.TB, lines ...string) *LineError {
	t.Helper()
	head, held := r.journal.head, len(r.pieces.held)
	answers, err := r.Record(strings.NewReader(strings.Join(lines, "\n")))
	var bad *LineError
	if !errors.As(err, &bad) {
		t.Fatalf("Record: error %v, want a LineError\nof %.400s", err, strings.Join(lines, "\n"))
	}
	if answers != nil {
		t.Errorf("answers with an error: %v", answers)
	}
	if r.journal.head != head || len(r.pieces.held) != held {
		t.Errorf("after %v: journal at %d and %d pieces, want %d and %d", err, r.journal.head.Seq, len(r.pieces.held), head.Seq, held)
	}
	return bad
}

// at is the record with a number.
func (r *rig) at(t testing.TB, seq events.Seq) events.Record {
	t.Helper()
	if seq == 0 || int(seq) > len(r.journal.records) {
		t.Fatalf("no record %d, there are %d", seq, len(r.journal.records))
	}
	rec, err := events.DecodeRecord(r.journal.records[seq-1])
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// body is the body of the record with a number.
func body[B events.Body](t testing.TB, r *rig, seq events.Seq) B {
	t.Helper()
	rec := r.at(t, seq)
	b, err := events.DecodeBody(rec.Kind, rec.V, rec.Body)
	if err != nil {
		t.Fatal(err)
	}
	return b.(B)
}

// sprint writes a line from pairs of names and values; a value that is not JSON is a text.
func sprint(pairs ...string) string {
	var b strings.Builder
	for i := 0; i < len(pairs); i += 2 {
		v := pairs[i+1]
		if !json.Valid([]byte(v)) || v != "" && v[0] >= '0' && v[0] <= '9' {
			q, _ := json.Marshal(v)
			v = string(q)
		}
		fmt.Fprintf(&b, ",%q:%s", pairs[i], v)
	}
	return "{" + strings.TrimPrefix(b.String(), ",") + "}"
}

func note(text string, more ...string) string {
	q, _ := json.Marshal(text)
	return sprint(append([]string{"kind", "note.written", "body", `{"text":` + string(q) + `}`}, more...)...)
}

// counter makes a source of distinct ids.
func counterID(n int) events.RecordID {
	var b [10]byte
	binary.BigEndian.PutUint64(b[2:], uint64(n))
	return events.NewRecordID(1, b)
}
