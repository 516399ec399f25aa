package agent

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"

	"ullage/agent/evidence"
	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/entry"
	"ullage/events/wire"
)

// CheckReport is what Check found.
type CheckReport struct {
	OK       bool      `json:"ok"`
	Records  uint64    `json:"records"`
	Seals    int       `json:"seals"`
	Receipts int       `json:"receipts"`
	Evidence int       `json:"evidence"` // pieces that records name and that are held
	Problems []Problem `json:"problems"`
	Notes    []string  `json:"notes"` // what is worth knowing and is not wrong
}

// Problem is something wrong, and what to do about it.
type Problem struct {
	What string `json:"what"`
	Do   string `json:"do"`
}

// What to do.
const (
	doSync     = "run: ullage-agent sync. What the centre has received it gives back; keep the folder as it is until then"
	doOffice   = "keep the folder as it is and tell the office: what the centre holds of this device may differ"
	doTell     = "go on working. Keep the folder as it is, and show log.json to somebody whom you trust outside of the office's systems: it proves what the centre showed"
	doKeys     = "put the folder keys back from where it was; without it nothing new can be sealed"
	doPins     = "put pins.json back from a backup of the folder; without it the device speaks to nobody. The records stand"
	doErased   = "run: ullage-agent sync. Before all else, it erases the piece again"
	doList     = "move the file away: it only keeps evidence that was erased from coming back with a backup"
	doEvidence = "look for the file in a backup of this folder; the record stands, but what it points at cannot be shown"
)

// Check reads all that a device keeps, without its lock: every record and its place in the chain, each seal and receipt
// against the chain and its key, and whether the evidence that records name is held or was erased. It may run beside the process that
// has the device.
//
// It covers all identities that the folder has had; what it says of an earlier one names it.
func Check(ctx context.Context, dir string) (CheckReport, error) {
	whole := CheckReport{Problems: []Problem{}, Notes: []string{}}
	all := lineage(dir)
	for i, h := range all {
		r, err := checkOne(ctx, h)
		if err != nil {
			return CheckReport{}, err
		}
		name := ""
		if i < len(all)-1 {
			id, err := h.read()
			if err != nil {
				return CheckReport{}, err
			}
			name = fmt.Sprintf("%s: ", id.Device)
		}
		for _, p := range r.Problems {
			whole.Problems = append(whole.Problems, Problem{name + p.What, p.Do})
		}
		for _, n := range r.Notes {
			whole.Notes = append(whole.Notes, name+n)
		}
		whole.Records += r.Records
		whole.Seals += r.Seals
		whole.Receipts += r.Receipts
		whole.Evidence += r.Evidence
	}
	whole.OK = len(whole.Problems) == 0
	return whole, nil
}

func checkOne(ctx context.Context, h home) (CheckReport, error) {
	id, err := h.read()
	if err != nil {
		return CheckReport{}, err
	}
	report := CheckReport{Problems: []Problem{}, Notes: []string{}}
	wrong := func(do, format string, a ...any) {
		report.Problems = append(report.Problems, Problem{fmt.Sprintf(format, a...), do})
	}
	if k, err := h.readKeys(); err != nil {
		wrong(doKeys, "the device's keys cannot be read: %v", err)
	} else if !k.sealPublic().Equal(id.sealKey()) {
		wrong(doKeys, "the sealing key is not the one that was enrolled")
	}
	if _, err := h.readPins(); err != nil {
		wrong(doPins, "what the device knows its centre by cannot be read: %v", err)
	}
	r, err := journal.OpenRead(journal.Config{Dir: h.journal()})
	if err != nil {
		return CheckReport{}, err
	}
	defer r.Close()
	ring, err := openRing(h, id.sealKey(), r)
	if err != nil {
		return CheckReport{}, err
	}
	if _, err := ring.at(r.Head().Seq + 1); err != nil {
		wrong(doKeys, "%v", err)
	}
	if err := ring.agrees(r.Record); err != nil {
		wrong(doKeys, "%v", err)
	}
	g, err := openGuard(h.log())
	if err != nil {
		return CheckReport{}, err
	}
	log := g.get()
	for _, a := range log.alarms() {
		wrong(doTell, "%s", a)
	}
	for _, e := range log.Epochs {
		report.Notes = append(report.Notes, fmt.Sprintf("the centre began its log anew (seen on %s by this device's clock); all that this device had checked is in it still", e.At.In(0).Format("2006-01-02 15:04 UTC")))
	}
	gates, err := h.readGates()
	if err != nil {
		wrong(doSync, "the keys of the centre's gates cannot be read, so that no receipt can be checked: %v", err)
	}
	found, err := journal.Check(journal.Config{Dir: h.journal()}, func(t journal.FrameType, payload []byte, seq events.Seq, link events.Hash) error {
		switch t {
		case journal.Seal:
			report.Seals++
			return checkSeal(id, ring, payload, seq, link)
		case journal.Receipt:
			report.Receipts++
			return nil // below: a receipt may stand behind a later record than its last
		}
		return nil
	})
	if err != nil {
		return CheckReport{}, err
	}
	report.Records = uint64(found.Head.Seq)
	for _, g := range found.Gaps {
		wrong(doSync, "%s are damaged on the disk", g)
	}
	for _, d := range found.Damage() {
		wrong(doSync, "%s", d)
	}
	for _, f := range found.Faults {
		wrong(doOffice, "%s", f)
	}
	for _, s := range found.Segments {
		if s.Torn > 0 {
			report.Notes = append(report.Notes, fmt.Sprintf("%s ends in %d bytes of a write that was cut short and never acknowledged; the next start cuts them off", s.File, s.Torn))
		}
	}
	for _, s := range found.Aside {
		report.Notes = append(report.Notes, fmt.Sprintf("%s was set aside as damaged, and is kept", s.File))
	}
	err = r.Receipts(func(_ events.Seq, payload []byte) error {
		if err := checkReceipt(r, id, gates, log.Key, payload); err != nil {
			wrong(doOffice, "a receipt: %v", err)
		}
		return ctx.Err()
	})
	if err != nil {
		return CheckReport{}, err
	}
	if err := checkEvidence(ctx, r, h, &report, wrong); err != nil {
		return CheckReport{}, err
	}
	return report, nil
}

func checkSeal(id identity, ring *ring, payload []byte, seq events.Seq, link events.Hash) error {
	s, err := wire.DecodeSeal(payload)
	if err != nil {
		return err
	}
	if s.Seq != seq {
		return fmt.Errorf("it is over record %d and stands behind record %d", s.Seq, seq)
	}
	key, _ := ring.public(seq)
	return events.VerifySeal(key, id.Device, link, s)
}

func checkReceipt(r *journal.Reader, id identity, gates gateKeys, log ed25519.PublicKey, payload []byte) error {
	got, err := wire.DecodeReceipt(payload)
	if err != nil {
		return err
	}
	what := fmt.Sprintf("that of gate %s for the records up to %d", got.Gate, got.Last)
	own, err := r.LinkAt(got.Last)
	switch {
	case errors.Is(err, journal.ErrGap):
		return nil // told as damage
	case err != nil:
		return fmt.Errorf("%s: %w", what, err)
	case got.Device != id.Device || got.Link != own:
		return fmt.Errorf("%s is for something else than this device's records", what)
	}
	key, known := gates[got.Gate]
	if !known {
		return fmt.Errorf("%s: the gate's key is not known here", what)
	}
	if err := got.Verify(key); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if got.Checkpoint == "" || len(log) == 0 {
		return nil
	}
	if _, err := checkpoint.Open(got.Checkpoint, log); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// Export writes the device's own records as entry lines, without its lock, up to the last that is whole. Where damage
// has taken records it goes on behind them, and the error at the end tells which are missing. Where the device has forked,
// those under its earlier names come first.
func Export(ctx context.Context, dir string, w io.Writer) error {
	var missing []error
	for _, h := range lineage(dir) {
		if err := exportOne(ctx, h, w); errors.Is(err, journal.ErrGap) {
			missing = append(missing, err)
		} else if err != nil {
			return err
		}
	}
	return errors.Join(missing...)
}

func exportOne(ctx context.Context, h home, w io.Writer) error {
	id, err := h.read()
	if err != nil {
		return err
	}
	r, err := journal.OpenRead(journal.Config{Dir: h.journal()})
	if err != nil {
		return err
	}
	defer r.Close()
	erased, err := openErasures(h.erased())
	if err != nil {
		return err
	}
	show := shower{records: r, device: id.Device, evidence: evidence.View(h.evidence()), erasures: erased}
	return eachRecord(r, func(_ events.Seq, raw []byte) error {
		record, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		line, err := entry.Line(&record, show)
		if err != nil {
			return err
		}
		if _, err := w.Write(append(line, '\n')); err != nil {
			return err
		}
		return ctx.Err()
	})
}

// eachRecord gives every record that can be read, in order. Its error tells of those that cannot.
func eachRecord(r *journal.Reader, visit func(events.Seq, []byte) error) error {
	var missing []error
	for next := events.Seq(1); ; {
		err := r.Scan(next, visit)
		var gap *journal.GapError
		if !errors.As(err, &gap) {
			return errors.Join(append(missing, err)...)
		}
		missing = append(missing, err)
		next = gap.To + 1
	}
}

// checkEvidence looks whether what records name is held.
func checkEvidence(ctx context.Context, r *journal.Reader, h home, report *CheckReport, wrong func(do, format string, a ...any)) error {
	pieces := evidence.View(h.evidence())
	ordered, err := openErasures(h.erased())
	if err != nil {
		wrong(doList, "which evidence was erased cannot be read: %v", err)
	}
	gone := map[events.Digest]bool{}
	err = eachRecord(r, func(seq events.Seq, raw []byte) error {
		record, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		for _, d := range events.EvidenceIn(record.Kind, record.V, record.Body) {
			erased, err := pieces.Erased(d)
			held := false
			if err == nil && !erased {
				held, err = pieces.Has(d)
			}
			switch {
			case erased:
				gone[d] = true
			case ordered.has(d):
				wrong(doErased, "the piece of evidence %s was erased, and is here again as from a backup; it is not shown", d)
			case err != nil:
				wrong(doEvidence, "record %d names the piece of evidence %s, which cannot be read: %v", seq, d, err)
			case !held:
				wrong(doEvidence, "record %d names the piece of evidence %s, which is not here", seq, d)
			default:
				report.Evidence++
			}
		}
		return ctx.Err()
	})
	if len(gone) > 0 {
		report.Notes = append(report.Notes, fmt.Sprintf("%d of the pieces of evidence that records name were erased", len(gone)))
	}
	if errors.Is(err, journal.ErrGap) {
		return nil // told before
	}
	return err
}
