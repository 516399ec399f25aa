// Package desk gives a centre its office's journal and evidence: those of a device, which the centre itself must not
// import.
package desk

import (
	"errors"
	"log/slog"
	"path/filepath"

	"ullage/agent/evidence"
	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/syncd"
	"ullage/syncd/office"
	"ullage/syncd/trust"
)

// desk is the office's journal and evidence: those of a device, as the centre needs them.
type desk struct {
	journal  *journal.Journal
	evidence pieces
}

// pieces are the office's evidence. A damaged piece is told, and then shown as one that is not held, so that it hides
// no record.
type pieces struct {
	*evidence.Folder
	log *slog.Logger
}

func (p pieces) Text(d events.Digest) ([]byte, bool, error) {
	plain, ok, err := p.Folder.Text(d)
	if errors.Is(err, evidence.ErrDamaged) {
		p.log.Error("a piece of the office's evidence is damaged", "error", err)
		return nil, false, nil
	}
	return plain, ok, err
}

// Salted is Folder's, but that a damaged piece is told and then not held.
func (p pieces) Salted(d events.Digest) ([]byte, [32]byte, bool, error) {
	plain, salt, ok, err := p.Folder.Salted(d)
	if errors.Is(err, evidence.ErrDamaged) {
		p.log.Error("a piece of the office's evidence is damaged", "error", err)
		return nil, salt, false, nil
	}
	return plain, salt, ok, err
}

// Opener opens, and at the first start makes, the desk of a centre's own device in dir. What is damaged in the journal
// is told to log, and does not keep the centre from its work.
func Opener(log *slog.Logger) func(dir string, d trust.Device) (syncd.Desk, error) {
	return func(dir string, d trust.Device) (syncd.Desk, error) { return open(log, dir, d) }
}

func open(log *slog.Logger, dir string, d trust.Device) (syncd.Desk, error) {
	cfg := journal.Config{Dir: filepath.Join(dir, "journal")}
	if err := journal.Create(cfg, d.ID, d.Key); err != nil && !errors.Is(err, journal.ErrExists) {
		return nil, err
	}
	j, report, err := journal.Open(cfg)
	if err != nil {
		return nil, err
	}
	for _, damage := range report.Damage {
		log.Error("the office's journal is damaged; nothing is deleted, what is readable is used", "damage", damage)
	}
	e, err := evidence.Open(filepath.Join(dir, "evidence"))
	if err != nil {
		return nil, errors.Join(err, j.Close())
	}
	return desk{j, pieces{e, log}}, nil
}

func (d desk) Append(build func(events.Head) (entry.Batch, error)) (events.Head, error) {
	return d.journal.Append(func(head events.Head) ([]journal.Frame, error) {
		batch, err := build(head)
		if err != nil {
			return nil, err
		}
		frames := make([]journal.Frame, 0, len(batch.Records)+len(batch.Seals))
		for _, r := range batch.Records {
			frames = append(frames, journal.Frame{Type: journal.Record, Payload: r})
		}
		for _, s := range batch.Seals {
			frames = append(frames, journal.Frame{Type: journal.Seal, Payload: wire.AppendSeal(nil, s)})
		}
		return frames, nil
	})
}

func (d desk) ByID(id events.RecordID) ([]byte, bool, error) {
	_, record, ok, err := d.journal.ByID(id)
	return record, ok, err
}

func (d desk) ByKey(key string) ([]byte, bool, error) {
	_, record, ok, err := d.journal.ByKey(key)
	return record, ok, err
}

// Corrections are the office's own that name a record.
func (d desk) Corrections(of events.Target) (all [][]byte, err error) {
	err = d.journal.Scan(1, func(_ events.Seq, record []byte) error {
		r, err := events.DecodeRecord(record)
		if err != nil {
			return err
		}
		if target, ok, err := events.CorrectionOf(&r); err != nil || !ok || target != of {
			return err
		}
		all = append(all, append([]byte(nil), record...))
		return nil
	})
	return all, err
}

func (d desk) Head() events.Head { return d.journal.Head() }

func (d desk) Scan(from events.Seq, fn func(events.Seq, []byte) error) error {
	return d.journal.Scan(from, fn)
}

func (d desk) LinkAt(seq events.Seq) (events.Hash, error) { return d.journal.LinkAt(seq) }

func (d desk) Receipted() (events.Seq, error) {
	payload, ok := d.journal.LastReceipt()
	if !ok {
		return 0, nil
	}
	r, err := wire.DecodeReceipt(payload)
	if err != nil {
		return 0, err
	}
	return r.Last, nil
}

func (d desk) Receipt(payload []byte) error {
	_, err := d.journal.Append(func(events.Head) ([]journal.Frame, error) {
		return []journal.Frame{{Type: journal.Receipt, Payload: payload}}, nil
	})
	return err
}

func (d desk) Receipts(fn func(payload []byte) error) error {
	return d.journal.Receipts(func(_ events.Seq, payload []byte) error { return fn(payload) })
}

func (d desk) Evidence() office.Evidence { return d.evidence }

func (d desk) Piece(digest events.Digest) ([]byte, [32]byte, bool, error) {
	return d.evidence.Salted(digest)
}

func (d desk) Close() error { return d.journal.Close() }
