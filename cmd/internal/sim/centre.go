package sim

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"ullage/cmd/internal/desk"
	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/syncd"
	"ullage/syncd/gate"
	"ullage/syncd/heal"
	"ullage/syncd/office"
	"ullage/syncd/store"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/publog"
)

// centre is the centre's parts as syncd.Centre puts them together, on streams in memory and in virtual time.
type centre struct {
	w       *world
	dir     string
	records *memory
	entries *memory
	aside   *memory
	log     *slog.Logger

	up       bool
	trust    *trust.Trust
	store    *store.Store
	public   *publog.Log
	gate     *gate.Gate
	healer   *heal.Healer
	desk     syncd.Desk
	recorder *office.Recorder
	outside  http.Handler

	noted  wire.Place     // the read model's, when the centre ended last
	alarms map[Alarm]bool // that were ever raised
	acked  map[record]bool
}

// record is one record, as it is known for ever.
type record struct {
	device events.DeviceID
	seq    events.Seq
	id     events.RecordID
}

// Alarm is what an alarm is about.
type Alarm string

// The alarms of the centre.
const (
	Missing  Alarm = "records are missing"
	Forked   Alarm = "a device has forked"
	Conflict Alarm = "a device has checked another log"
	LogHurt  Alarm = "the log is damaged"
	Rewrote  Alarm = "the log has two histories"
	NewEpoch Alarm = "a new epoch of the log"
)

// Alarms are all of them.
var Alarms = []Alarm{Missing, Forked, Conflict, LogHurt, Rewrote, NewEpoch}

func newCentre(w *world) *centre {
	return &centre{
		w: w, dir: filepath.Join(w.dir, "centre"), alarms: map[Alarm]bool{}, acked: map[record]bool{},
		records: newMemory(w, wire.Records.Name), entries: newMemory(w, wire.Log.Name), aside: newMemory(w, wire.Aside.Name),
		log: slog.New(slog.NewTextHandler(traced{w}, &slog.HandlerOptions{Level: slog.LevelWarn, ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}})),
	}
}

// traced is the log of a part, which goes to who follows the run and not into its digest: it names folders.
type traced struct{ w *world }

func (t traced) Write(b []byte) (int, error) {
	if t.w.Trace != nil {
		return t.w.Trace.Write(b)
	}
	return len(b), nil
}

func (c *centre) now() events.Millis { return events.MillisOf(c.w.now) }

func (c *centre) find(id events.DeviceID) (gate.Device, bool) {
	d, ok := c.trust.Device(id)
	return gate.Device{Key: d.Key, Office: d.Office, Revoked: d.Revoked, Frozen: d.Frozen}, ok
}

func (c *centre) isOffice(id events.DeviceID) bool {
	d, ok := c.trust.Device(id)
	return ok && d.Office
}

func (c *centre) alarm(a Alarm) {
	if !c.alarms[a] {
		c.alarms[a] = true
		c.w.tell("alarm: %s", a)
	}
}

// start brings the centre up.
func (c *centre) start() (err error) {
	ctx := context.Background()
	defer func() {
		if err != nil {
			err = errors.Join(err, c.stop())
		}
	}()
	if c.trust, err = trust.Open(trust.Config{Dir: c.dir, Now: func() time.Time { return c.w.now }, Random: own(c.w), Log: c.log, OnEnrolled: c.enrolled}); err != nil {
		return err
	}
	c.outside = c.trust.EnrolHandler(func() string { return "nats://centre.example:4222" })
	if c.store, err = store.Open(store.Config{Dir: filepath.Join(c.dir, "model"), Office: c.isOffice, Log: c.log}); err != nil {
		return err
	}
	c.public, err = publog.Open(ctx, publog.Config{
		Dir: c.trust.LogDir(), Key: c.trust.Log(), Records: c.records, Entries: c.entries, Log: c.log,
		OnAlarm: func(a publog.Alarm) {
			if a.Kind == publog.Rewritten {
				c.alarm(Rewrote)
			} else {
				c.alarm(LogHurt)
			}
		},
		OnEpoch: func(checkpoint.Checkpoint, uint64) error { c.alarm(NewEpoch); return nil },
	})
	if err != nil {
		return err
	}
	log, err := gate.NewLog(ctx, c.records, c.aside)
	if err != nil {
		return err
	}
	c.healer = heal.New(heal.Config{
		Store: c.store, Logged: c.public.Logged, Log: c.log, Fresh: func(context.Context) error { return c.catchUp() },
		Restore: func(ctx context.Context, k store.Kept) error {
			known, _ := c.find(k.Commit.Device)
			return c.gate.Restore(ctx, known, k.Place, k.Commit, k.Records)
		},
		Lost: c.lost, Found: c.found, Looked: func(map[events.DeviceID]wire.Ranges) error { return nil },
		Scrub: func(ctx context.Context) error { return c.store.Scrub(ctx, c.records) },
	})
	name, key := c.trust.Gate()
	c.gate = gate.New(gate.Config{
		Name: name, Key: key, Gates: c.trust.GateKeys, Log: log, Find: c.find, Reader: c.store, Now: c.now, Random: c.w, Messages: c.log,
		Public: c.public, Conflict: func(x gate.Conflict) { c.alarm(Conflict) }, Missing: c.healer, Lag: 1,
		Forked: func(f gate.Fork) error { c.alarm(Forked); return c.trust.Freeze(f.Device) },
	})
	if err := c.openOffice(); err != nil {
		return err
	}
	c.up = true
	return nil
}

func (c *centre) openOffice() (err error) {
	id, key := c.trust.Office()
	d, _ := c.trust.Device(id)
	if c.desk, err = desk.Opener(c.log)(filepath.Join(c.dir, "office"), d); err != nil {
		return err
	}
	seal := func(seq events.Seq, link events.Hash) events.Seal { return events.SignSeal(key, id, seq, link, "") }
	c.recorder = office.NewRecorder(office.RecorderConfig{
		Journal: c.desk, Seal: seal, Log: c.log,
		Writer: &entry.Writer{
			Device: id, Office: true, Now: c.now, Journal: c.desk, Evidence: c.desk.Evidence(), Seal: seal, Lookup: c.desk,
			Zone: func(events.Millis) int { return 60 }, Random: c.w.fill,
		},
		Commit: func(ctx context.Context, q wire.PushRequest) (wire.Answer, error) {
			known, _ := c.find(id)
			a, err := c.gate.Commit(ctx, id, known, q)
			if err == nil {
				c.heard(id, wire.Push, q.Encode(), a)
			}
			return a, err
		},
	})
	return nil
}

// stop takes the centre down; where it is killed, nothing that was still to be written is.
func (c *centre) stop() error {
	c.up = false
	for _, d := range c.w.devices {
		for _, l := range d.lines {
			l.sever()
		}
	}
	var err error
	if c.desk != nil {
		err = errors.Join(err, c.desk.Close())
	}
	if c.store != nil {
		err = errors.Join(err, c.store.Close())
	}
	if c.public != nil {
		err = errors.Join(err, c.public.Close())
	}
	if c.trust != nil {
		err = errors.Join(err, c.trust.Close())
	}
	c.desk, c.store, c.public, c.trust = nil, nil, nil, nil
	return err
}

// catchUp lets those who follow RECORDS have what it holds.
func (c *centre) catchUp() error {
	ctx := context.Background()
	return errors.Join(c.public.CatchUp(ctx), c.store.CatchUp(ctx, c.records))
}

// tick is what the centre does by itself.
func (c *centre) tick() {
	if !c.up {
		return
	}
	for _, s := range []*memory{c.records, c.entries, c.aside} {
		if s.down {
			return
		}
	}
	err := errors.Join(c.catchUp(), c.recorder.Push(context.Background()), c.healer.Look(context.Background()))
	if err != nil && !errors.Is(err, stream.ErrUnknown) && !errors.Is(err, stream.ErrUnavailable) && !errors.Is(err, publog.ErrRewritten) {
		c.w.tell("the centre: %v", err)
		if c.w.calm {
			c.w.fail("the centre cannot do its work: %w", err)
		}
	}
}

// scrub reads all that RECORDS has.
func (c *centre) scrub() error { return c.store.Scrub(context.Background(), c.records) }

// ask is a request of a device.
func (c *centre) ask(device events.DeviceID, verb wire.Verb, reply string, data []byte) (answer []byte, answered bool) {
	if !c.up {
		return nil, false
	}
	if verb == wire.Hello || verb == wire.Pull || verb == wire.Back || verb == wire.Branch {
		if err := c.catchUp(); err != nil {
			c.w.tell("the centre: %v", err)
		}
	}
	a := c.gate.Answer(context.Background(), device, verb, reply, data)
	c.w.tell("%s %s: %s %s", device, verb, a.Status, a.Reason)
	c.heard(device, verb, data, a)
	return a.Encode(), true
}

// heard notes what an answer promises.
func (c *centre) heard(device events.DeviceID, verb wire.Verb, data []byte, a wire.Answer) {
	if verb != wire.Push || a.Status != wire.OK {
		return
	}
	q, err := wire.DecodePush(data)
	if err != nil {
		c.w.fail("a push that cannot be read was taken: %w", err)
		return
	}
	list, err := wire.Expand(q.Data, wire.MaxPlain)
	if err != nil {
		c.w.fail("a push that cannot be read was taken: %w", err)
		return
	}
	records, err := wire.Pieces(list, wire.MaxRecords, wire.MaxPlain)
	if err != nil {
		c.w.fail("a push that cannot be read was taken: %w", err)
		return
	}
	for i, raw := range records {
		if r, err := events.DecodeRecord(raw); err != nil {
			c.w.fail("record %d of %s was taken and cannot be read: %w", q.First+events.Seq(i), device, err)
		} else {
			c.acked[record{device, r.Seq, r.ID}] = true
		}
	}
}

// record writes lines of the office.
func (c *centre) record(lines ...map[string]any) {
	var b bytes.Buffer
	out := json.NewEncoder(&b)
	for _, line := range lines {
		if err := out.Encode(line); err != nil {
			c.w.fail("%w", err)
		}
	}
	if err := c.write(&b); err != nil {
		c.w.fail("the office cannot record: %w", err)
	}
}

// write records; what is kept and not yet received is sent by the next tick.
func (c *centre) write(lines *bytes.Buffer) error {
	_, err := c.recorder.Record(context.Background(), lines)
	var late *office.NotReceivedError
	if errors.As(err, &late) {
		return nil
	}
	return err
}

func (c *centre) enrolled(d trust.Device) error {
	body := map[string]any{"device": d.ID, "keys": []map[string]any{{"use": "sealing", "key": []byte(d.Key)}}}
	if d.Parent != "" {
		body["parent"] = d.Parent
	}
	line, err := json.Marshal(map[string]any{"kind": "device.enrolled", "key": fmt.Sprintf("enrolled-%s", d.ID), "body": body})
	if err != nil {
		return err
	}
	return c.write(bytes.NewBuffer(line))
}

func (c *centre) lost(device events.DeviceID, ranges wire.Ranges) {
	c.alarm(Missing)
	c.w.tell("missing of %s: %v", device, ranges)
	if id, _ := c.trust.Office(); device == id {
		if err := errors.Join(c.recorder.Again(context.Background(), ranges), c.recorder.Push(context.Background())); err != nil {
			c.w.tell("the office again: %v", err)
		}
	}
}

func (c *centre) found(_ context.Context, device events.DeviceID, there wire.Ranges, by heal.Source) error {
	var b bytes.Buffer
	for _, r := range there {
		if err := json.NewEncoder(&b).Encode(map[string]any{
			"kind": "range.healed", "body": map[string]any{"device": device, "from": r.From, "to": r.To, "source": by},
		}); err != nil {
			return err
		}
	}
	return c.write(&b)
}

// letIn lets in all that wait.
func (c *centre) letIn() {
	for _, h := range c.trust.Heirs() {
		if !h.Waits {
			continue
		}
		if err := c.trust.LetIn(h.ID, c.enrolled); err != nil {
			c.w.fail("let in %s: %w", h.ID, err)
		}
		c.w.tell("%s is let in", h.ID)
	}
}

// missing is what the healer still misses.
func (c *centre) missing() map[events.DeviceID]wire.Ranges {
	all, _ := c.healer.Missing()
	return all
}

// backup is what of a centre's folder and streams an old backup brings back.
type backup struct {
	dir                     string
	records, entries, aside *memory
}

func (c *centre) backup(n int) (*backup, error) {
	b := &backup{filepath.Join(c.w.dir, fmt.Sprintf("backup-%d", n)), c.records.copied(), c.entries.copied(), c.aside.copied()}
	return b, copyAll(filepath.Join(b.dir, "log"), filepath.Join(c.dir, "log"))
}

// restore puts a backup in the centre's place. The keys and the office's journal stand in a second place, and are as new as
// they were.
func (c *centre) restore(b *backup) error {
	if err := os.RemoveAll(filepath.Join(c.dir, "log")); err != nil {
		return err
	}
	if err := copyAll(filepath.Join(c.dir, "log"), filepath.Join(b.dir, "log")); err != nil {
		return err
	}
	c.records, c.entries, c.aside = b.records.copied(), b.entries.copied(), b.aside.copied()
	return os.RemoveAll(filepath.Join(c.dir, "model"))
}

// own is chance apart from the world's: makers of certificates take of it as much as they please.
func own(w *world) io.Reader { return &world{rng: rand.New(rand.NewPCG(w.rng.Uint64(), 1))} }

// copyAll copies a file or a folder; nothing where there is none.
func copyAll(to, from string) error {
	st, err := os.Stat(from)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if st.IsDir() {
		return os.CopyFS(to, os.DirFS(from))
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return err
	}
	data, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, data, 0o600)
}

// names are the devices of a set of records, in order.
func names(all map[events.DeviceID]wire.Ranges) []events.DeviceID {
	return slices.Sorted(maps.Keys(all))
}
