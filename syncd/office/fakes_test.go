package office

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

const own = events.DeviceID("office-1")

// book is a journal in memory.
type book struct {
	mu        sync.Mutex
	head      events.Head
	records   [][]byte
	links     []events.Hash
	receipted events.Seq
	receipts  [][]byte
	full      error
}

func newBook(key ed25519.PublicKey) *book {
	first := events.FirstLink(own, key)
	return &book{head: events.Head{Device: own, Link: first}, links: []events.Hash{first}}
}

func (b *book) Append(build func(events.Head) (entry.Batch, error)) (events.Head, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	batch, err := build(b.head)
	if err = errors.Join(err, b.full); err != nil {
		return events.Head{}, err
	}
	for _, raw := range batch.Records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return events.Head{}, err
		}
		b.head.Seq, b.head.Clock, b.head.Link = r.Seq, r.Clock, events.Link(b.head.Link, events.HashRecord(raw))
		b.records, b.links = append(b.records, raw), append(b.links, b.head.Link)
	}
	return b.head, nil
}

func (b *book) find(is func(*events.Record) bool) ([]byte, bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, raw := range b.records {
		if r, err := events.DecodeRecord(raw); err != nil || is(&r) {
			return raw, err == nil, err
		}
	}
	return nil, false, nil
}

func (b *book) ByID(id events.RecordID) ([]byte, bool, error) {
	return b.find(func(r *events.Record) bool { return r.ID == id })
}

func (b *book) ByKey(key string) ([]byte, bool, error) {
	return b.find(func(r *events.Record) bool { return r.Key == key })
}

func (b *book) Corrections(events.Target) ([][]byte, error) { return nil, nil }

func (b *book) Head() events.Head {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.head
}

func (b *book) Scan(from events.Seq, fn func(events.Seq, []byte) error) error {
	b.mu.Lock()
	records := b.records
	b.mu.Unlock()
	for i := int(from) - 1; i < len(records); i++ {
		if err := fn(events.Seq(i+1), records[i]); err != nil {
			return err
		}
	}
	return nil
}

func (b *book) LinkAt(seq events.Seq) (events.Hash, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if int(seq) >= len(b.links) {
		return events.Hash{}, fmt.Errorf("no record %d", seq)
	}
	return b.links[seq], nil
}

func (b *book) Receipted() (events.Seq, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.receipted, nil
}

func (b *book) Receipt(payload []byte) error {
	r, err := wire.DecodeReceipt(payload)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.receipted = r.Last
	b.receipts = append(b.receipts, append([]byte(nil), payload...))
	return nil
}

func (b *book) Receipts(fn func([]byte) error) error {
	b.mu.Lock()
	all := b.receipts
	b.mu.Unlock()
	for _, payload := range all {
		if err := fn(payload); err != nil {
			return err
		}
	}
	return nil
}

// sink is RECORDS as far as the office is concerned; what it does with a push can be disturbed.
type sink struct {
	mu      sync.Mutex
	records [][]byte
	link    events.Hash
	pushes  int
	inside  int   // pushes at this moment
	most    int   // at once
	sizes   []int // records of each push
	before  error // the next push fails, and is not stored
	away    int   // so many pushes fail
	after   error // the next push is stored, and fails

	originals []bool // of each push, whether it has a receipt from before
}

func (s *sink) answer() []byte {
	a := wire.PushAnswer{Seq: events.Seq(len(s.records)), Link: s.link}
	if a.Seq > 0 {
		r := wire.Receipt{Device: own, First: 1, Last: a.Seq, Link: s.link, Received: 1, Place: wire.Place{Seq: 1, Hash: events.Hash{1}, Created: 1}}
		r.Sign("gate-1", ed25519.NewKeyFromSeed(make([]byte, 32)))
		a.Receipt = r.Encode()
	}
	return a.Encode()
}

func (s *sink) commit(_ context.Context, q wire.PushRequest) (wire.Answer, error) {
	s.mu.Lock()
	s.inside++
	s.most = max(s.most, s.inside)
	s.mu.Unlock()
	time.Sleep(time.Millisecond)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.inside--
	if s.away > 0 {
		s.away--
		return wire.Answer{}, errAway
	}
	if err := s.before; err != nil {
		s.before = nil
		return wire.Answer{}, err
	}
	switch {
	case int(q.First) != len(s.records)+1:
		return wire.Answer{Status: wire.Elsewhere, Body: s.answer()}, nil
	case q.Link != s.link:
		return wire.Answer{Status: wire.Fork, Reason: "another link"}, nil
	}
	list, err := wire.Expand(q.Data, wire.MaxPlain)
	if err != nil {
		return wire.Answer{}, err
	}
	records, err := wire.Pieces(list, wire.MaxRecords, wire.MaxPlain)
	if err != nil {
		return wire.Answer{}, err
	}
	if len(records) == 0 {
		return wire.Answer{Status: wire.Refused, At: q.First, Reason: "nothing in it"}, nil
	}
	for _, r := range records {
		s.link = events.Link(s.link, events.HashRecord(r))
	}
	s.records = append(s.records, records...)
	s.pushes++
	s.sizes = append(s.sizes, len(records))
	s.originals = append(s.originals, len(q.Original) > 0)
	if err := s.after; err != nil {
		s.after = nil
		return wire.Answer{}, err
	}
	return wire.Answer{Status: wire.OK, Body: s.answer()}, nil
}

type noEvidence struct{}

func (noEvidence) Keep([]byte) (d events.Digest, err error)        { return d, errors.New("none is kept") }
func (noEvidence) Text(events.Digest) ([]byte, bool, error)        { return nil, false, nil }
func (noEvidence) Same(events.Digest, []byte) (same bool, _ error) { return false, nil }
