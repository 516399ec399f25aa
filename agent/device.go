package agent

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"ullage/agent/evidence"
	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

// Device is an open device, of which one process at a time has one. Record, Stream, Sync and Status may be called at
// the same time.
type Device struct {
	home home
	cfg  Config
	id   identity
	keys keys

	journal  *journal.Journal
	evidence *evidence.Folder
	erasures *erasures
	copies   *copies
	own      *ownView
	memory   *memory
	guard    *guard
	ring     *ring
	turn     sync.RWMutex // see book
	writer   *entry.Writer
	self     *entry.Writer // for the device's own words
	renewer  *entry.Writer // for the one record that Renew writes
	loop     *loop

	// Of the loop.
	gates  gateKeys
	pins   pins
	silent bool          // it writes no records of its own
	elders []home        // identities that have forked, before this one
	moved  chan struct{} // closed once another identity goes on from this one

	heldMu sync.Mutex // guards held
	held   *heldView  // nil until it is asked for, and after a pull
}

// InUse is the error of Open where another process has the device. It wraps journal.ErrLocked.
type InUse struct {
	Dir string
	Err error
}

func (e *InUse) Error() string { return fmt.Sprintf("the device in %s: %v", e.Dir, e.Err) }

func (e *InUse) Unwrap() error { return e.Err }

// Open opens the device in a folder. Where another process has it, Open waits as long as cfg says, and then returns an
// *InUse. The error wraps ErrNotEnrolled where no device lives there. The caller closes the device.
func Open(ctx context.Context, dir string, cfg Config) (*Device, error) {
	until := time.Now().Add(cfg.withDefaults().Holder)
	for {
		d, err := open(dir, cfg)
		if !errors.Is(err, journal.ErrLocked) {
			return d, err
		}
		if time.Now().After(until) {
			return nil, &InUse{dir, err}
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func open(dir string, cfg Config) (*Device, error) {
	all := lineage(dir)
	d, err := openHome(all[len(all)-1], cfg)
	if err == nil {
		d.elders = all[:len(all)-1]
	}
	return d, err
}

func openHome(h home, cfg Config) (_ *Device, err error) {
	d := &Device{home: h, cfg: cfg.withDefaults()}
	if d.id, err = d.home.read(); err != nil {
		return nil, err
	}
	if d.keys, err = d.home.readKeys(); err != nil {
		return nil, fmt.Errorf("the device's keys: %w", err)
	}
	if d.gates, err = d.home.readGates(); err != nil {
		return nil, err
	}
	if d.pins, err = d.home.readPins(); err != nil {
		return nil, err
	}
	var report journal.Report
	if d.journal, report, err = journal.Open(journal.Config{Dir: d.home.journal(), FS: d.cfg.Disk}); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			d.journal.Close()
		}
	}()
	if !d.keys.sealPublic().Equal(ed25519.PublicKey(d.journal.PublicKey())) || d.journal.Head().Device != d.id.Device {
		return nil, fmt.Errorf("%s: the keys, the journal and device.json do not belong together", h)
	}
	if d.ring, err = openRing(d.home, d.keys.sealPublic(), d.journal); err != nil {
		return nil, fmt.Errorf("the device's keys: %w", err)
	}
	if _, err := d.ring.at(d.journal.Head().Seq + 1); err != nil {
		return nil, err
	}
	if err := d.ring.save(); err != nil {
		return nil, err
	}
	if d.evidence, err = evidence.Open(d.home.evidence()); err != nil {
		return nil, err
	}
	if d.erasures, err = openErasures(d.home.erased()); err != nil {
		d.cfg.Log.Error("which evidence was erased cannot be read; should any come back with a backup, it is not erased again", "error", err)
	}
	d.eraseAgain()
	if d.copies, err = openCopies(d.home.pulled()); err != nil {
		return nil, err
	}
	d.memory = openMemory(d.home.memory())
	if d.guard, err = openGuard(d.home.log()); err != nil {
		return nil, err
	}
	d.own = newOwnView(d.journal)
	d.loop, d.moved = newLoop(d), make(chan struct{})
	d.newWriters()
	d.tell(report)
	return d, nil
}

// tell says what opening the journal found and did.
func (d *Device) tell(r journal.Report) {
	if r.CutBytes > 0 {
		d.cfg.Log.Warn("a write that a crash cut short, and that was never acknowledged, was cut off", "file", r.CutFile, "bytes", r.CutBytes, "records", r.CutRecords)
	}
	for _, file := range slices.Concat(r.Aside, r.Finished) {
		d.cfg.Log.Warn("a damaged part of the journal was set aside; run: ullage-agent check", "file", file)
	}
	for _, damage := range r.Damage {
		d.cfg.Log.Warn("damage in the journal; the next sync fetches back what was received", "what", damage.String())
	}
}

func (d *Device) newWriters() {
	b := book{d.journal, d.own, d.copies, d.memory, &d.turn}
	j := &judge{held: d.heldNow, own: d.own}
	j.begin()
	d.writer, d.self = d.newWriter(b), d.newWriter(b)
	d.writer.Judge, d.writer.Begin = j.record, j.begin
	b.turn = nil
	d.renewer = d.newWriter(b)
}

func (d *Device) newWriter(b book) *entry.Writer {
	return &entry.Writer{
		Device: d.id.Device, Now: d.cfg.millis, Zone: d.cfg.zone, Random: d.cfg.Random,
		Journal: b, Lookup: b, Evidence: d.evidence,
		Seal: func(seq events.Seq, link events.Hash) events.Seal {
			key, err := d.ring.at(seq)
			if err != nil { // open has looked, and Renew makes a key before it names it
				panic("agent.newWriter: " + err.Error())
			}
			return events.SignSeal(key, d.id.Device, seq, link, d.guard.seen())
		},
	}
}

// Close gives the device back.
func (d *Device) Close() error { return errors.Join(d.journal.Close(), d.copies.close()) }

// ID is the device's name.
func (d *Device) ID() events.DeviceID { return d.id.Device }

// Record keeps entry lines, all or none. When it returns without error they are kept. The error about a bad line is an
// *entry.LineError.
func (d *Device) Record(_ context.Context, lines io.Reader) ([]entry.Answer, error) {
	answers, err := d.writer.Record(lines)
	if err == nil {
		poke(d.loop.new)
	}
	return answers, explain(err)
}

// Stream keeps entry lines one by one: each is kept before out gets its answer; a bad one is told to bad and stops
// nothing. It returns how many were bad.
func (d *Device) Stream(_ context.Context, lines io.Reader, out func(entry.Answer) error, bad func(*entry.LineError) error) (int, error) {
	n, err := d.writer.Stream(lines, func(a entry.Answer) error {
		poke(d.loop.new)
		return out(a)
	}, bad)
	return n, explain(err)
}

// explain says in plain words what a writer cannot do anything about but must know.
func explain(err error) error {
	switch {
	case errors.Is(err, journal.ErrFull):
		return fmt.Errorf("the disk is full: nothing of this was kept; make room and record it again: %w", err)
	case errors.Is(err, journal.ErrStopped):
		return fmt.Errorf("the disk failed while this was written: it may or may not be kept; run: ullage-agent check: %w", err)
	}
	return err
}

// recordOwn writes a record of the device itself.
func (d *Device) recordOwn(line string) error {
	_, err := d.self.Record(strings.NewReader(line))
	return err
}

// received is up to which record the device has a receipt.
func (d *Device) received() (events.Seq, error) { return receivedOf(d.journal) }

// receivedOf reads it from a journal's last receipt.
func receivedOf(j interface{ LastReceipt() ([]byte, bool) }) (events.Seq, error) {
	payload, ok := j.LastReceipt()
	if !ok {
		return 0, nil
	}
	r, err := wire.DecodeReceipt(payload)
	if err != nil {
		return 0, fmt.Errorf("the last receipt in the journal: %w", err)
	}
	return r.Last, nil
}

// waiting tells what waits; nil for nothing.
func (d *Device) waiting() (*Waiting, error) { return waitingIn(d.journal) }

// heldNow is what the device has of others' records now.
func (d *Device) heldNow() (*heldView, error) {
	d.heldMu.Lock()
	defer d.heldMu.Unlock()
	if d.held == nil {
		v, err := newHeldView(d.copies)
		if err != nil {
			return nil, err
		}
		d.held = v
	}
	return d.held, nil
}

// registerChanged makes heldNow read the copies again.
func (d *Device) registerChanged() {
	d.heldMu.Lock()
	defer d.heldMu.Unlock()
	d.held = nil
}

// remember writes down how a conversation went, for status.
func (d *Device) remember(err error) {
	var stop *Stop
	werr := d.memory.change(func(r *remembered) {
		switch {
		case err == nil:
			now := d.cfg.millis()
			r.Why, r.Alarms, r.LastSync, r.Zone = "", nil, now, d.cfg.zone(now)
		case errors.As(err, &stop):
			r.Why, r.Alarms = stop.Text, []string{stop.Text}
		default:
			r.Why = Why(err)
		}
	})
	if werr != nil {
		d.cfg.Log.Warn("cannot write down how the conversation went", "error", werr)
	}
	if err != nil && !errors.Is(err, ErrBusy) {
		d.cfg.Log.Info("not synced", "why", Why(err), "error", err)
	}
}

// Sync talks to the centre until nothing waits. It must not be called while Run runs.
//
// The error is a *Waiting after the device's patience without progress, or a *Stop where somebody has to act. The
// notice tells why nothing was fetched where nothing was waiting and the centre could not be reached. tell, which may be
// nil, is called whenever something has changed.
func (d *Device) Sync(ctx context.Context, tell func(Status)) (notice, err error) {
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	defer running.Wait()
	defer cancel()
	return d.loop.watch(ctx, d.telling(tell), func() { running.Go(func() { d.loop.run(ctx) }) })
}

// Fetch is Sync for a device that was enrolled just now: it fetches what the centre has for it, and writes nothing.
func (d *Device) Fetch(ctx context.Context) (notice, err error) {
	d.silent = true
	defer func() { d.silent = false }()
	return d.Sync(ctx, nil)
}

// telling makes a call with the status of a call without.
func (d *Device) telling(tell func(Status)) func() {
	if tell == nil {
		return nil
	}
	return func() {
		if s, err := d.Status(); err == nil {
			tell(s)
		}
	}
}
