// Package dossier makes dossiers of what the centre holds: it finds the records of a visit, or of a machine and a time,
// and gathers whatever proves them, for package events/dossier to write.
//
// What is gathered is the least that proves the records: the pushes that brought them, of which the other records are
// hashes; the records by which their devices have their keys; and of each device the last checkpoint of the public log
// that it had seen before, if that is not too far back. Receipts are signed anew, from what stands in RECORDS.
package dossier

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/checkpoint"
	form "ullage/events/dossier"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/syncd/store"
)

// ErrNothing is returned where there is no record of what a dossier is asked for.
var ErrNothing = errors.New("there is no record for a dossier")

// ErrForked is in the errors about what cannot be shown of a device of which two copies wrote: what is not settled, and what
// stands on another branch than the one that came first. A dossier names a record by its device and number, and shows one
// chain of a device.
var ErrForked = errors.New("two copies of its device wrote")

// Store is the read model.
type Store interface {
	Place() wire.Place
	Audit(context.Context, audit.Query, projections.Bounds) (projections.History, *projections.Register, error)
	Push(context.Context, events.DeviceID, events.Seq) (store.Push, error)
	Keys(context.Context, events.DeviceID) ([]projections.Arrival, error)
	ByID(context.Context, events.RecordID) (raw []byte, ok bool, err error)
}

// Log is the public log.
type Log interface {
	Wait(ctx context.Context, seq uint64) error
	Newest() checkpoint.Signed
	Leaf(device events.DeviceID, seq events.Seq, hash events.Hash) (index uint64, ok bool)
	Root(size uint64) (events.Hash, error)
	Proof(index, size uint64) ([]events.Hash, error)
	Extension(then, now uint64) ([]events.Hash, error)
	Received(size uint64) (at events.Millis, ok bool)
}

// Config is what a Maker works with. All of it must be set.
type Config struct {
	Store   Store
	Log     Log
	LogKey  ed25519.PublicKey
	Sign    form.Sign           // by LogKey
	Receipt func(*wire.Receipt) // signs a receipt as this centre's gate
	Gates   func() []wire.GateKey
	Offices func() []form.Held // the office's devices, with their first keys
	// Erased finds the record of the office by which a piece of evidence was erased.
	Erased func(context.Context, events.Digest) (id events.RecordID, ok bool, err error)
	// Piece is a piece of evidence with its salt; ok is false where it is not held.
	Piece func(events.Digest) (plain []byte, salt [32]byte, ok bool, err error)
	Now   func() events.Millis
}

// Maker makes dossiers. Make may be called at any time by any number of callers.
type Maker struct{ cfg Config }

// New makes a maker.
func New(cfg Config) *Maker { return &Maker{cfg} }

// Question is what a dossier is asked for: a visit, or a machine and a time.
type Question struct {
	Visit   events.RecordID
	Machine events.MachineID
	From    events.Millis // of a machine: what happened from here
	To      events.Millis // to here, both included
}

// Made is a dossier, and what its check says.
type Made struct {
	File     []byte
	Report   *form.Report
	Evidence []events.Digest // that is in it
}

// Make makes a dossier of all that RECORDS held when the read model was asked, and checks it. Where the report says
// that a claim fails, that is so at this centre, and the dossier says it to everybody. Errors: ErrNothing,
// ErrForked, store.ErrNotThere, form.ErrTooLarge, ctx's, and what the parts say.
func (m *Maker) Make(ctx context.Context, q Question) (*Made, error) {
	w := &work{Config: m.cfg, ctx: ctx, q: q, items: map[form.Name]*item{}, erased: map[events.Digest]form.Name{}, lines: map[events.DeviceID]*line{}}
	if err := w.gather(); err != nil {
		return nil, err
	}
	d, err := w.dossier()
	if err != nil {
		return nil, err
	}
	file, err := form.Make(*d, m.cfg.LogKey, m.cfg.Sign)
	if err != nil {
		return nil, err
	}
	made := &Made{File: file}
	for _, e := range d.Evidence {
		if e.State == form.Here {
			made.Evidence = append(made.Evidence, e.Digest)
		}
	}
	if made.Report, err = form.Verify(file, checkpoint.KeyName(w.at.Origin, m.cfg.LogKey)); err != nil {
		return nil, fmt.Errorf("a dossier that was just made: %w", err)
	}
	return made, nil
}

// item is a record that will be shown.
type item struct {
	part form.Part
	held string
	hash events.Hash
}

// work is one dossier being made.
type work struct {
	Config
	ctx context.Context
	q   Question

	at     checkpoint.Checkpoint // newest of the log
	note   string
	items  map[form.Name]*item
	erased map[events.Digest]form.Name
	lines  map[events.DeviceID]*line
	seen   []form.Checkpoint

	branches map[events.Hash]projections.Branch // of records that are behind a parting
	forked   error                              // about one that cannot be shown
}

func (w *work) gather() error {
	if err := w.Log.Wait(w.ctx, w.Store.Place().Seq); err != nil {
		return fmt.Errorf("the public log: %w", err)
	}
	newest := w.Log.Newest()
	if w.at, w.note = newest.Checkpoint, newest.Note; w.note == "" {
		return errors.New("the public log has no checkpoint now; see the alarms")
	}
	for _, step := range []func() error{w.subjects, w.erasures, w.keys, w.chains} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// subjects finds the records that the dossier is about, and what corrections and admissions bring along.
func (w *work) subjects() error {
	h, _, err := w.Store.Audit(w.ctx, audit.Query{Visit: w.q.Visit, Machine: w.q.Machine}, projections.Now)
	if err != nil {
		return err
	}
	within := func(r *events.Record) bool { return r.Done >= w.q.From && r.Done <= w.q.To }
	visits := map[events.RecordID]bool{}
	if !w.q.Visit.IsZero() {
		within = func(r *events.Record) bool { return r.Visit == w.q.Visit }
	}
	w.branches = map[events.Hash]projections.Branch{}
	for i := range h.All {
		if f := &h.All[i]; f.Branch != projections.Undivided {
			w.branches[f.Hash] = f.Branch
		}
		if r := &h.All[i].Record; w.q.Machine != "" && r.Machine == w.q.Machine && within(r) {
			visits[r.Visit] = true
		}
	}
	delete(visits, events.RecordID{})
	next := map[form.Name][]*projections.Arrival{}
	var found []form.Name
	for i := range h.All {
		a := h.All[i].Arrival
		r := &a.Record
		if r.Kind == "dossier.made" {
			continue // it is about an earlier file, and whom that was for is nobody else's concern
		}
		if within(r) && (w.q.Machine == "" || r.Machine == w.q.Machine || r.Machine == "" && visits[r.Visit]) {
			found = w.add(found, a, form.Subject)
		}
		if t, ok, err := events.CorrectionOf(r); ok && err == nil {
			target := form.Name{Device: t.Device, Seq: t.Seq}
			next[target] = append(next[target], a)
			for j := range h.All {
				if b := h.All[j].Arrival; b.Record.Device == t.Device && b.Record.Seq == t.Seq {
					next[nameOf(a)] = append(next[nameOf(a)], b)
				}
			}
		}
	}
	if len(found) == 0 {
		return ErrNothing
	}
	for ; len(found) > 0; found = found[1:] {
		for _, a := range next[found[0]] {
			found = w.add(found, a, form.Related)
		}
	}
	return w.forked
}

func nameOf(a *projections.Arrival) form.Name {
	return form.Name{Device: a.Record.Device, Seq: a.Record.Seq}
}

// add shows a record, unless it is shown already, and appends it to what was found.
func (w *work) add(found []form.Name, a *projections.Arrival, p form.Part) []form.Name {
	n := nameOf(a)
	if w.items[n] != nil {
		return found
	}
	held, branch := a.Held, w.branches[a.Hash]
	switch {
	case branch == projections.Overruled && len(a.Parted) > 0:
		return found
	case branch == projections.Overruled:
		held = "another branch of its device stands"
	case branch == projections.Unsettled:
		w.forked = fmt.Errorf("record %s: %w, and which branch stands is not settled; see: ullage fork list", n, ErrForked)
	case len(a.Parted) > 0:
		w.forked = fmt.Errorf("record %s: %w, and it is on the branch that came second, which a dossier cannot show", n, ErrForked)
	}
	w.items[n] = &item{p, held, a.Hash}
	return append(found, n)
}

// keys shows the records by which the devices have their keys: those of the records that are shown, and the office's.
func (w *work) keys() error {
	devices := map[events.DeviceID]bool{}
	for n := range w.items {
		devices[n.Device] = true
	}
	for _, o := range w.Offices() {
		devices[o.Device] = true
	}
	for d := range devices {
		all, err := w.Store.Keys(w.ctx, d)
		if err != nil {
			return err
		}
		for i := range all {
			if a := &all[i]; len(a.Parted) == 0 && givesKey(a, all) {
				w.add(nil, a, form.Key)
			}
		}
	}
	return nil
}

// givesKey tells whether a record says which keys a device has: the office's word that is in force, and a renewal of the
// device's own, held or not, since it changes who seals; and that such a one was let in. all is the history that it
// stands in.
func givesKey(a *projections.Arrival, all []projections.Arrival) bool {
	switch a.Record.Kind {
	case "device.enrolled", "device.revoked":
		return a.Office && a.Held == ""
	case events.KindAdmitted:
		t, _, err := events.CorrectionOf(&a.Record)
		return err == nil && a.Office && a.Held == "" && slices.ContainsFunc(all, func(x projections.Arrival) bool {
			_, renews := events.RenewedKey(&x.Record)
			return renews && x.Record.Device == t.Device && x.Record.Seq == t.Seq
		})
	}
	_, renews := events.RenewedKey(&a.Record)
	return renews
}

// erasures shows the office's records by which pieces of evidence were erased.
func (w *work) erasures() error {
	pieces, err := w.pieces()
	if err != nil {
		return err
	}
	for _, d := range pieces {
		id, ok, err := w.Erased(w.ctx, d)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		raw, ok, err := w.Store.ByID(w.ctx, id)
		if err == nil && !ok {
			err = fmt.Errorf("record %s, by which %s was erased: %w", id, d, store.ErrNotThere)
		}
		if err != nil {
			return err
		}
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		n := form.Name{Device: r.Device, Seq: r.Seq}
		w.erased[d] = n
		if w.items[n] == nil {
			w.items[n] = &item{part: form.Erasure, hash: events.HashRecord(raw)}
		}
	}
	return nil
}

// pieces lists the evidence that the records name.
func (w *work) pieces() ([]events.Digest, error) {
	records, err := w.records()
	if err != nil {
		return nil, err
	}
	return form.Pieces(records)
}

// names lists the records that are shown, in order.
func (w *work) names() []form.Name {
	names := make([]form.Name, 0, len(w.items))
	for n := range w.items {
		names = append(names, n)
	}
	slices.SortFunc(names, func(a, b form.Name) int { return cmp.Or(cmp.Compare(a.Device, b.Device), cmp.Compare(a.Seq, b.Seq)) })
	return names
}

// records are the records that are shown, with their bytes.
func (w *work) records() ([]form.Record, error) {
	var all []form.Record
	for _, n := range w.names() {
		p, err := w.line(n.Device).push(n.Seq)
		if err != nil {
			return nil, err
		}
		x := w.items[n]
		all = append(all, form.Record{Part: x.part, Held: x.held, Raw: p.Records[n.Seq-p.Commit.Range.From]})
	}
	return all, nil
}

// dossier puts together what was gathered.
func (w *work) dossier() (*form.Dossier, error) {
	d := &form.Dossier{
		About: form.About{Made: w.Now(), Visit: w.q.Visit, Machine: w.q.Machine, From: w.q.From, To: w.q.To},
		Log:   form.Log{Checkpoint: w.note, Seen: w.seen},
		Keys:  form.Keys{Log: checkpoint.KeyName(w.at.Origin, w.LogKey), Offices: w.Offices()},
	}
	for _, g := range w.Gates() {
		d.Keys.Gates = append(d.Keys.Gates, form.Held{Device: g.Gate, Key: form.Hex(g.Key)})
	}
	var err error
	if d.Records, err = w.records(); err != nil {
		return nil, err
	}
	for _, n := range w.names() {
		leaf, err := w.leaf(n)
		if err != nil {
			return nil, err
		}
		d.Log.Leaves = append(d.Log.Leaves, leaf)
	}
	for _, l := range w.lines {
		chain, receipts, err := l.shown()
		if err != nil {
			return nil, err
		}
		d.Chains, d.Receipts = append(d.Chains, chain), append(d.Receipts, receipts...)
	}
	d.Evidence, err = w.evidence()
	return d, err
}

// leaf is the place of a record in the log, with its proof.
func (w *work) leaf(n form.Name) (form.Leaf, error) {
	index, ok := w.Log.Leaf(n.Device, n.Seq, w.items[n].hash)
	if !ok || index >= w.at.Size {
		return form.Leaf{}, fmt.Errorf("record %s does not stand in the public log; see the alarms", n)
	}
	proof, err := w.Log.Proof(index, w.at.Size)
	return form.Leaf{Record: n, Index: index, Proof: append([]events.Hash{}, proof...)}, err
}

// maxEvidence bounds the evidence in one dossier, in bytes. The record that tells of the dossier bounds the pieces.
const maxEvidence = form.MaxFile / 2

// evidence says of each piece what became of it, and takes along what is held.
func (w *work) evidence() ([]form.Evidence, error) {
	pieces, err := w.pieces()
	if err != nil {
		return nil, err
	}
	var all []form.Evidence
	room, here := maxEvidence, 0
	for _, d := range pieces {
		e := form.Evidence{Digest: d, State: form.NotYet}
		if n, ok := w.erased[d]; ok {
			e.State, e.Erasure = form.Erased, n
			all = append(all, e)
			continue
		}
		plain, salt, ok, err := w.Piece(d)
		switch {
		case err != nil:
			return nil, err
		case ok && (len(plain) > room || here == events.MaxList):
			e.State = form.Away
		case ok:
			e.State, e.Salt, e.Piece = form.Here, salt, plain
			room, here = room-len(plain), here+1
		}
		all = append(all, e)
	}
	return all, nil
}
