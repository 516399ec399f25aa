// Package syncd is the centre: it brings up the embedded broker, the gate, the read model and the office on one
// machine, and takes them down again.
//
// All that a centre is stands in one folder:
//
//	keys/, token      who it is and who may write (trust)
//	streams/          the broker's files: RECORDS, the truth
//	office/           the journal and the evidence of the office, which is a device of its own, apart from streams/
//	model/            the read model; it can be deleted at any time
//	ports.json        the ports that the first start found free
//	centre.json       addresses, while it runs
//
// The order of a start is the order in which the parts need each other: keys, broker, streams, read model, gate,
// office. Addresses are written down, and printed, once everything listens.
package syncd

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/gate"
	"ullage/syncd/office"
	"ullage/syncd/store"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

// Desk is where the office's own records and evidence are kept. The command that starts a centre brings it, because
// the journal is the device's.
type Desk interface {
	office.Journal
	Evidence() entry.Evidence
	Close() error
}

// Config is what Open needs.
type Config struct {
	Dir string
	Log *slog.Logger
	// OpenDesk opens the desk in a folder, for the office's device and its key.
	OpenDesk func(dir string, d trust.Device) (Desk, error)
}

// Addresses is what centre.json holds.
type Addresses struct {
	NATS   string `json:"nats"`   // where devices connect
	Enrol  string `json:"enrol"`  // where they are enrolled
	Office string `json:"office"` // the office's pages and API
}

// Centre is a centre that is up.
type Centre struct {
	cfg       Config
	addresses Addresses
	ticket    string

	trust    *trust.Trust
	broker   *broker.Broker
	store    *store.Store
	source   *store.Source
	gate     *gate.Gate
	desk     Desk
	recorder *office.Recorder

	enrolServer  *http.Server
	officeServer *http.Server
	listeners    [2]net.Listener
}

// ports are what the first start found free.
type ports struct {
	NATS   int `json:"nats"`
	Enrol  int `json:"enrol"`
	Office int `json:"office"`
}

const softTime = 5 * time.Second

// Open brings a centre up, but for Serve, which makes it answer.
func Open(ctx context.Context, cfg Config) (_ *Centre, err error) {
	c := &Centre{cfg: cfg}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.Close())
		}
	}()
	if err := os.Remove(c.path("centre.json")); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if c.trust, err = trust.Open(trust.Config{Dir: cfg.Dir, Log: cfg.Log, OnEnrolled: c.enrolled}); err != nil {
		return nil, err
	}
	var p ports
	if err := readJSON(c.path("ports.json"), &p); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if c.broker, err = broker.Start(broker.Config{Dir: c.path("streams"), Port: p.NATS, Trust: c.trust, Log: cfg.Log}); err != nil {
		return nil, err
	}
	if err := c.broker.EnsureStreams(ctx); err != nil {
		return nil, err
	}
	reader, err := c.broker.Connect(trust.Reader)
	if err != nil {
		return nil, err
	}
	if c.source, err = store.OpenSource(ctx, reader); err != nil {
		return nil, err
	}
	if c.store, err = store.Open(store.Config{Dir: c.path("model"), Office: c.isOffice, Log: cfg.Log}); err != nil {
		return nil, err
	}
	if err := c.openGate(ctx); err != nil {
		return nil, err
	}
	if err := c.openOffice(); err != nil {
		return nil, err
	}
	if err := c.listen(p); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *Centre) path(name string) string { return filepath.Join(c.cfg.Dir, name) }

func (c *Centre) isOffice(id events.DeviceID) bool {
	d, ok := c.trust.Device(id)
	return ok && d.Office
}

func (c *Centre) find(id events.DeviceID) (gate.Device, bool) {
	d, ok := c.trust.Device(id)
	return gate.Device{Key: d.Key, Office: d.Office, Revoked: d.Revoked}, ok
}

func now() events.Millis { return events.MillisOf(time.Now()) }

func (c *Centre) openGate(ctx context.Context) error {
	devices, err := c.broker.Connect(trust.GateDevices)
	if err != nil {
		return err
	}
	centre, err := c.broker.Connect(trust.GateCentre)
	if err != nil {
		return err
	}
	log, err := gate.OpenLog(ctx, centre)
	if err != nil {
		return err
	}
	name, key := c.trust.Gate()
	c.gate = gate.New(gate.Config{
		Name: name, Key: key, Gates: c.trust.GateKeys, Devices: devices, Log: log, Find: c.find, Reader: c.store,
		Now: now, Random: rand.Reader, Messages: c.cfg.Log,
	})
	return nil
}

func (c *Centre) openOffice() error {
	id, key := c.trust.Office()
	d, ok := c.trust.Device(id)
	if !ok {
		return fmt.Errorf("the office's device %s is not known: %w", id, trust.ErrDevice)
	}
	var err error
	if c.desk, err = c.cfg.OpenDesk(c.path("office"), d); err != nil {
		return err
	}
	seal := func(seq events.Seq, link events.Hash) events.Seal { return events.SignSeal(key, id, seq, link, "") }
	c.recorder = &office.Recorder{
		Journal: c.desk, Seal: seal, Log: c.cfg.Log,
		Writer: &entry.Writer{
			Device: id, Office: true, Now: now, Journal: c.desk, Lookup: lookup{c.desk, c.store}, Evidence: c.desk.Evidence(), Seal: seal,
			Zone: func(at events.Millis) int {
				_, offset := at.Time().Local().Zone()
				return offset / 60
			},
			Random: func(p []byte) error { _, err := io.ReadFull(rand.Reader, p); return err },
		},
		Commit: func(ctx context.Context, q wire.PushRequest) (wire.Answer, error) {
			known, _ := c.find(id)
			return c.gate.Commit(ctx, id, known, q)
		},
	}
	return nil
}

// lookup finds records in the office's journal first, and then among those of all devices.
type lookup struct {
	Desk
	store *store.Store
}

func (l lookup) ByID(id events.RecordID) ([]byte, bool, error) {
	raw, ok, err := l.Desk.ByID(id)
	if ok || err != nil {
		return raw, ok, err
	}
	return l.store.ByID(context.Background(), id)
}

func (l lookup) Corrections(of events.Target) ([][]byte, error) {
	own, err := l.Desk.Corrections(of)
	if err != nil {
		return nil, err
	}
	others, err := l.store.Corrections(context.Background(), of)
	return append(own, others...), err
}

// enrolled writes a new device down, before it is let in.
func (c *Centre) enrolled(d trust.Device) error {
	line, err := json.Marshal(map[string]any{
		"kind": "device.enrolled", "key": "enrolled-" + string(d.ID),
		"body": map[string]any{"device": d.ID, "keys": []map[string]any{{"use": "sealing", "key": []byte(d.Key)}}},
	})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	_, err = c.recorder.Record(ctx, bytes.NewReader(line))
	return err
}

// listen takes the ports that are written down, or free ones, and writes those down.
func (c *Centre) listen(p ports) error {
	first := p == ports{}
	p.NATS = c.broker.Port()
	for i, port := range []*int{&p.Enrol, &p.Office} {
		address := fmt.Sprintf("127.0.0.1:%d", *port)
		l, err := net.Listen("tcp", address)
		if err != nil {
			return fmt.Errorf("port %d, which this centre has used since its first start, is taken by another program: %w", *port, err)
		}
		c.listeners[i], *port = l, l.Addr().(*net.TCPAddr).Port
	}
	if first {
		if err := writeJSON(c.path("ports.json"), p); err != nil {
			return err
		}
	}
	c.addresses = Addresses{
		NATS:   c.broker.ClientURL(),
		Enrol:  "http://" + c.listeners[0].Addr().String(),
		Office: "http://" + c.listeners[1].Addr().String(),
	}
	pages := office.New(office.Config{
		Token: c.trust.Token(), Store: c.store, Source: c.source, Recorder: c.recorder, Evidence: c.desk.Evidence(), Log: c.cfg.Log,
		NewCode: func(name string) (wire.Code, error) { return c.trust.NewCode(name, c.addresses.Enrol) },
	})
	c.ticket = c.addresses.Office + pages.Ticket()
	enrol := http.NewServeMux()
	enrol.Handle(wire.EnrolPath, c.trust.EnrolHandler(c.broker.ClientURL))
	c.enrolServer = server(enrol, c.cfg.Log)
	c.officeServer = server(pages.Handler(), c.cfg.Log)
	return nil
}

func server(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, WriteTimeout: 5 * time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// Serve answers until ctx ends, or until a part of the centre fails. ready is called once everything listens.
func (c *Centre) Serve(ctx context.Context, ready func(a Addresses, link string)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var work sync.WaitGroup
	run := func(what string, fn func() error) {
		work.Add(1)
		go func() {
			defer work.Done()
			if err := fn(); err != nil {
				cancel(fmt.Errorf("%s: %w", what, err))
			}
		}()
	}
	run("gate", func() error { return c.gate.Run(ctx) })
	run("read model", func() error { return c.follow(ctx) })
	for i, s := range []*http.Server{c.enrolServer, c.officeServer} {
		l := c.listeners[i]
		run("http", func() error {
			if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
				return err
			}
			return nil
		})
	}
	err := c.recorder.Push(ctx) // what was kept and not received when the centre last went down
	if err == nil {
		err = writeJSON(c.path("centre.json"), c.addresses)
	}
	if err == nil {
		ready(c.addresses, c.ticket)
		<-ctx.Done()
		if cause := context.Cause(ctx); !errors.Is(cause, context.Canceled) {
			err = cause
		}
	}
	cancel(err)
	soft, done := context.WithTimeout(context.Background(), softTime)
	defer done()
	for _, s := range []*http.Server{c.enrolServer, c.officeServer} {
		if s.Shutdown(soft) != nil {
			err = errors.Join(err, s.Close()) // a request that takes longer than we wait
		}
	}
	work.Wait()
	if e := os.Remove(c.path("centre.json")); e != nil && !errors.Is(e, fs.ErrNotExist) {
		err = errors.Join(err, e)
	}
	return err
}

// follow keeps the read model up; a broken read of the stream is begun again.
func (c *Centre) follow(ctx context.Context) error {
	for wait := time.Second; ; wait = min(2*wait, time.Minute) {
		err := c.store.Follow(ctx, c.source)
		if err == nil || ctx.Err() != nil {
			return nil
		}
		c.cfg.Log.Error("the read model does not keep up; it is tried again", "error", err, "in", wait)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return nil
		}
	}
}

// Rebuild builds the read model anew from the stream.
func (c *Centre) Rebuild(ctx context.Context, progress func(done, of uint64)) error {
	return c.store.Rebuild(ctx, c.source, progress)
}

// Close takes everything down. Serve must have ended.
func (c *Centre) Close() error {
	var err error
	for _, l := range c.listeners {
		if l != nil {
			if e := l.Close(); e != nil && !errors.Is(e, net.ErrClosed) {
				err = errors.Join(err, e)
			}
		}
	}
	if c.desk != nil {
		err = errors.Join(err, c.desk.Close())
	}
	if c.store != nil {
		err = errors.Join(err, c.store.Close())
	}
	if c.broker != nil {
		c.broker.Shutdown()
	}
	if c.trust != nil {
		err = errors.Join(err, c.trust.Close())
	}
	return err
}

func readJSON(path string, to any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, to); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

func writeJSON(path string, from any) error {
	b, err := json.Marshal(from)
	if err != nil {
		return err
	}
	return disk.WriteFile(path, append(b, '\n'))
}
