package dossier_test

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/goleak"

	"ullage/events"
	form "ullage/events/dossier"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/dossier"
	"ullage/syncd/gate"
	"ullage/syncd/store"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/publog"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// world is a centre without its servers: a broker with the streams, a gate that commits, the public log, the read model,
// and devices that write what a test tells them. Only its clock is the test's.
type world struct {
	t      *testing.T
	ctx    context.Context
	now    events.Millis
	trust  *trust.Trust
	source stream.Stream
	store  *store.Store
	log    *publog.Log
	gate   *gate.Gate
	centre *nats.Conn // as the gate
	maker  *dossier.Maker

	devices map[events.DeviceID]*device
	pieces  map[events.Digest]piece
	erased  map[events.Digest]events.RecordID
}

type piece struct {
	plain []byte
	salt  [32]byte
}

type device struct {
	id      events.DeviceID
	key     ed25519.PrivateKey
	office  bool
	link    events.Hash
	next    events.Seq
	waiting [][]byte
}

func newWorld(t *testing.T) *world {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	w := &world{t: t, ctx: ctx, now: 1772000000000, devices: map[events.DeviceID]*device{}, pieces: map[events.Digest]piece{}, erased: map[events.Digest]events.RecordID{}}
	dir := t.TempDir()
	var err error
	w.trust, err = trust.Open(trust.Config{Dir: dir + "/c"})
	must(err)
	t.Cleanup(func() { w.trust.Close() })
	b, err := broker.Start(broker.Config{Dir: dir + "/streams", Trust: w.trust})
	must(err)
	t.Cleanup(b.Shutdown)
	must(b.EnsureStreams(ctx))
	connect := func(role trust.Role) *nats.Conn {
		nc, err := b.Connect(role)
		must(err)
		return nc
	}
	w.source, err = stream.Open(ctx, connect(trust.Reader), wire.Records.Name)
	must(err)
	office, key := w.trust.Office()
	isOffice := func(id events.DeviceID) bool { return id == office }
	w.store, err = store.Open(store.Config{Dir: dir + "/model", Office: isOffice, Log: slog.New(slog.DiscardHandler)})
	must(err)
	logger := connect(trust.Logger)
	toLog, err := stream.Open(ctx, logger, wire.Records.Name)
	must(err)
	entries, err := stream.Open(ctx, logger, wire.Log.Name)
	must(err)
	w.log, err = publog.Open(ctx, publog.Config{Dir: dir + "/log", Key: w.trust.Log(), Records: toLog, Entries: entries})
	must(err)
	w.centre = connect(trust.GateCentre)
	records, err := gate.OpenLog(ctx, w.centre)
	must(err)
	name, gateKey := w.trust.Gate()
	w.gate = gate.New(gate.Config{
		Name: name, Key: gateKey, Gates: w.trust.GateKeys, Log: records, Reader: w.store, Now: func() events.Millis { return w.now }, Random: rand.Reader,
		Messages: slog.New(slog.DiscardHandler),
	})
	ended := make(chan error, 2)
	go func() { ended <- w.store.Follow(ctx, w.source) }()
	go func() { ended <- w.log.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		for range 2 {
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
		w.store.Close()
		w.log.Close()
	})
	w.devices[office] = &device{id: office, key: key, office: true, next: 1, link: events.FirstLink(office, public(key))}
	w.maker = dossier.New(dossier.Config{
		Store: w.store, Log: w.log, LogKey: w.log.Key(), Sign: w.trust.Log().Sign, Gates: w.trust.GateKeys,
		Receipt: func(r *wire.Receipt) { r.Sign(name, gateKey) },
		Offices: func() []form.Held { return []form.Held{{Device: office, Key: form.Hex(public(key))}} },
		Erased: func(_ context.Context, d events.Digest) (events.RecordID, bool, error) {
			id, ok := w.erased[d]
			return id, ok, nil
		},
		Piece: func(d events.Digest) ([]byte, [32]byte, bool, error) {
			p, ok := w.pieces[d]
			return p.plain, p.salt, ok, nil
		},
		Now: func() events.Millis { return w.now },
	})
	return w
}

func public(k ed25519.PrivateKey) ed25519.PublicKey { return k.Public().(ed25519.PublicKey) }

func (w *world) office() *device {
	id, _ := w.trust.Office()
	return w.devices[id]
}

// enrol lets a device in.
func (w *world) enrol(id events.DeviceID) *device {
	seed := sha256.Sum256([]byte(id))
	key := ed25519.NewKeyFromSeed(seed[:])
	d := &device{id: id, key: key, next: 1, link: events.FirstLink(id, public(key))}
	w.devices[id] = d
	w.write(w.office(), events.RecordID{}, &events.DeviceEnrolled{Device: id, Keys: []events.DeviceKey{{Use: "sealing", Key: public(key)}}})
	w.push(w.office())
	return d
}

func (w *world) id() events.RecordID {
	w.now += 1000
	h := sha256.Sum256(fmt.Append(nil, w.now))
	return events.NewRecordID(w.now, [10]byte(h[:10]))
}

// write writes a record of a visit on the machine nw-01, or of none.
func (w *world) write(d *device, visit events.RecordID, body events.Body) *events.Record {
	w.t.Helper()
	b, err := events.EncodeBody(body)
	if err != nil {
		w.t.Fatal(err)
	}
	r := &events.Record{ID: w.id(), Device: d.id, Seq: d.next, Clock: events.ClockOf(w.now, 0), Done: w.now, Zone: 60, Kind: body.Kind(), V: 1, Body: b, Visit: visit}
	if !visit.IsZero() {
		r.Site, r.Machine, r.By = "north-yard", "nw-01", "T2"
	}
	raw, err := events.EncodeRecord(r)
	if err != nil {
		w.t.Fatal(err)
	}
	d.next++
	d.waiting = append(d.waiting, raw)
	return r
}

func (w *world) target(r *events.Record) events.Target {
	w.t.Helper()
	raw, err := events.EncodeRecord(r)
	if err != nil {
		w.t.Fatal(err)
	}
	return events.Target{Device: r.Device, Seq: r.Seq, Hash: events.HashRecord(raw)}
}

// push brings in what a device has written, and waits until the log and the read model have it.
func (w *world) push(d *device) {
	w.t.Helper()
	w.now += 60_000
	var list []byte
	first, before := d.next-events.Seq(len(d.waiting)), d.link
	for _, raw := range d.waiting {
		list = wire.AppendPiece(list, raw)
		d.link = events.Link(d.link, events.HashRecord(raw))
	}
	a, err := w.gate.Commit(w.ctx, d.id, gate.Device{Key: public(d.key), Office: d.office}, wire.PushRequest{
		First: first, Link: before, Seals: []events.Seal{events.SignSeal(d.key, d.id, d.next-1, d.link, "")}, Data: wire.Squeeze(list),
	})
	if err != nil || a.Status != wire.OK {
		w.t.Fatalf("push: %v, %v", a, err)
	}
	d.waiting = nil
	w.settle()
}

func (w *world) settle() {
	w.t.Helper()
	at, err := w.source.State(w.ctx)
	if err == nil {
		err = w.store.Wait(w.ctx, at.Last)
	}
	if err == nil {
		err = w.log.Wait(w.ctx, at.Last)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// see writes that a device has checked the newest checkpoint.
func (w *world) see(d *device) *events.Record {
	c := w.log.Newest().Checkpoint
	return w.write(d, events.RecordID{}, &events.CheckpointSeen{Origin: c.Origin, Size: int64(c.Size), Root: c.Root})
}

// keep keeps a piece of evidence.
func (w *world) keep(plain string) events.Digest {
	p := piece{plain: []byte(plain), salt: sha256.Sum256([]byte("salt of " + plain))}
	d := sha256.Sum256(append(p.salt[:], plain...))
	w.pieces[d] = p
	return d
}
