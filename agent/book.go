package agent

import (
	"errors"
	"sync"

	"ullage/agent/evidence"
	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

// book is a device's journal, its own view and the copies of others' records as a writer of entries needs them.
type book struct {
	journal *journal.Journal
	own     *ownView
	copies  *copies
	memory  *memory
	turn    *sync.RWMutex // held by a renewal of the sealing key, during which nothing else is written; nil for its own record
}

// ErrBehind is returned for a record on a device that lacks records of its own: whatever it wrote now would bear a
// number that is taken already.
var ErrBehind = errors.New("this device was put back to an earlier state: the centre has later records of it, which it must fetch first; nothing can be recorded until a sync has done so")

// Append is part of entry.Appender. Seals stand behind their records, so that they share their sync.
func (b book) Append(build func(events.Head) (entry.Batch, error)) (events.Head, error) {
	if b.turn != nil {
		b.turn.RLock()
		defer b.turn.RUnlock()
	}
	return b.journal.Append(func(head events.Head) ([]journal.Frame, error) {
		if b.memory.get().Behind > head.Seq {
			return nil, ErrBehind
		}
		batch, err := build(head)
		if err != nil {
			return nil, err
		}
		return frames(head, batch), nil
	})
}

// frames puts each seal behind its record.
func frames(head events.Head, batch entry.Batch) []journal.Frame {
	all := make([]journal.Frame, 0, len(batch.Records)+len(batch.Seals))
	seals := batch.Seals
	for i, r := range batch.Records {
		all = append(all, journal.Frame{Type: journal.Record, Payload: r})
		for len(seals) > 0 && seals[0].Seq == head.Seq+events.Seq(i)+1 {
			all = append(all, journal.Frame{Type: journal.Seal, Payload: wire.AppendSeal(nil, seals[0])})
			seals = seals[1:]
		}
	}
	return all
}

// ByID is part of entry.Lookup.
func (b book) ByID(id events.RecordID) (record []byte, ok bool, err error) {
	if _, record, ok, err = b.journal.ByID(id); err != nil || ok {
		return record, ok, err
	}
	return b.copies.byID(id)
}

// ByKey is part of entry.Lookup.
func (b book) ByKey(key string) (record []byte, ok bool, err error) {
	_, record, ok, err = b.journal.ByKey(key)
	return record, ok, err
}

// Corrections is part of entry.Lookup.
func (b book) Corrections(of events.Target) ([][]byte, error) {
	found, err := b.copies.corrections(of)
	if err != nil {
		return nil, err
	}
	seqs, err := b.own.corrections(of)
	if err != nil {
		return nil, err
	}
	for _, seq := range seqs {
		record, err := b.journal.Record(seq)
		if err != nil {
			return nil, err
		}
		found = append(found, record)
	}
	return found, nil
}

// shower finds what records only point at, for export and for answers.
type shower struct {
	records interface {
		ByID(events.RecordID) (events.Seq, []byte, bool, error)
		Record(events.Seq) ([]byte, error)
	}
	device   events.DeviceID
	evidence *evidence.Folder
	erasures *erasures
}

// Text is part of entry.Shower. A damaged piece is shown as one that is not held, so that it hides no record; check
// names it. One that the office has erased is not shown, even where it has come back.
func (s shower) Text(d events.Digest) ([]byte, bool, error) {
	if s.erasures.has(d) {
		return nil, false, nil
	}
	plain, ok, err := s.evidence.Text(d)
	if errors.Is(err, evidence.ErrDamaged) {
		return nil, false, nil
	}
	return plain, ok, err
}

// ID is part of entry.Shower: of the device's own records.
func (s shower) ID(t events.Target) (entry.Named, bool, error) {
	if t.Device != s.device {
		return entry.Named{}, false, nil
	}
	raw, err := s.records.Record(t.Seq)
	switch {
	case errors.Is(err, journal.ErrNoRecord), errors.Is(err, journal.ErrGap):
		return entry.Named{}, false, nil
	case err != nil:
		return entry.Named{}, false, err
	}
	r, err := events.DecodeRecord(raw)
	if err != nil || events.HashRecord(raw) != t.Hash {
		return entry.Named{}, false, err
	}
	return entry.Named{ID: r.ID, Kind: r.Kind, V: r.V}, true, nil
}
