// Package syncd is the centre: it brings up the embedded broker, the gate, the read model and the office on one
// machine, and takes them down again.
//
// All that a centre is stands in one folder:
//
//	keys/, token      who it is, who may write, and who may come in to the office (trust, trust/people)
//	access/           the access journal: who came in, and who read which evidence (trust/access)
//	ca.pem            what those trust who come by HTTPS (trust)
//	streams/          the broker's files: RECORDS, the truth
//	office/           the journal and the evidence of the office, which is a device of its own, apart from streams/
//	log/              the public log's file, the other holder of what the stream LOG has (trust/publog)
//	model/            the read model; it can be deleted at any time
//	alarms.json       what must not be missed, until somebody acknowledges it
//	ports.json        the ports that the first start found free
//	cluster.json      the servers of a cluster, where the streams are there and not here
//	centre.json       addresses, while it runs; what a killed centre leaves of it is stale
//
// The order of a start is the order in which the parts need each other: keys, broker, streams, read model, public
// log, gate, office. Addresses are written down, and printed, once everything listens. The order of an end is the other way
// round: nobody is sent here any more, requests end, then the gate, then the read model, then the files.
package syncd

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/alarm"
	"ullage/syncd/broker"
	"ullage/syncd/gate"
	"ullage/syncd/heal"
	"ullage/syncd/office"
	"ullage/syncd/port"
	"ullage/syncd/seldom"
	"ullage/syncd/store"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/access"
	"ullage/syncd/trust/disk"
	"ullage/syncd/trust/people"
	"ullage/syncd/trust/publog"
)

// Desk is where the office's own records and evidence are kept. The command that starts a centre brings it, because
// the journal is the device's.
type Desk interface {
	office.Journal
	Evidence() office.Evidence
	// Piece returns a piece of evidence of any kind with its salt; ok is false where it is not held.
	Piece(events.Digest) (plain []byte, salt [32]byte, ok bool, err error)
	Close() error
}

// Config is what Open needs.
type Config struct {
	Dir string
	Log *slog.Logger // nil: nothing is logged
	// OpenDesk opens the desk in a folder, for the office's device and its key.
	OpenDesk func(dir string, d trust.Device) (Desk, error)

	Host      string   // where it listens; empty: 127.0.0.1
	Names     []string // by which devices and browsers reach it beside Host, DNS names or IP addresses; the first stands in addresses and codes
	Cert, Key string   // files with certificates that are used instead of own ones; empty: own ones

	Second string // folder where keys and the office's journal are kept too; empty: nowhere

	Servers  []string // of a cluster that has the streams, tls://HOST:PORT each; nil: those of the last start, or none
	Unsynced bool     // servers of a cluster are taken that confirm what is not on their disks
}

// Addresses is what centre.json holds.
type Addresses struct {
	NATS   string `json:"nats"`   // where devices connect
	Enrol  string `json:"enrol"`  // where they are enrolled
	Office string `json:"office"` // the office's pages and API
}

// Centre is a centre that is up.
type Centre struct {
	cfg   Config
	names []string // by which it is reached, the first in addresses

	trust    *trust.Trust
	alarms   *alarm.Book
	broker   servers
	cluster  *broker.Cluster // broker, where it is one; else nil
	devices  *nats.Conn      // the gate's, in the devices' account
	log      *publog.Log
	store    *store.Store
	source   stream.Stream
	gate     *gate.Gate
	desk     Desk
	recorder *office.Recorder
	book     *people.Book
	access   *access.Journal
	erasures *office.Erasures
	healer   *heal.Healer
	revoked  revocations
	learned  learned
	handing  chan struct{} // one for each that hands over now
	untaken  seldom.Second // lines of the log about them

	second   second
	ports    ports
	newPorts bool // not yet written down
	enrol    server
	office   server
	requests requests
}

// ports are what the first start found free.
type ports struct {
	NATS   int `json:"nats"`
	Enrol  int `json:"enrol"`
	Office int `json:"office"`
}

// Open brings a centre up, but for Serve, which makes it answer. Where a step fails, what the steps before it brought
// up is taken down.
func Open(ctx context.Context, cfg Config) (_ *Centre, err error) {
	cfg.Log = cmp.Or(cfg.Log, slog.New(slog.DiscardHandler))
	c := &Centre{cfg: cfg, handing: make(chan struct{}, mostHanding)}
	if err := c.named(); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.Close())
		}
	}()
	// From here on the folder is ours: it holds the lock.
	if c.cfg.Servers, err = chosenServers(cfg); err != nil {
		return nil, err
	}
	if c.trust, err = trust.Open(trust.Config{
		Cluster: len(c.cfg.Servers) > 0, Unsynced: len(c.cfg.Servers) > 0 && cfg.Unsynced, Dir: cfg.Dir, Log: cfg.Log, OnEnrolled: c.enrolled, Names: c.names, Cert: cfg.Cert, Key: cfg.Key,
	}); err != nil {
		return nil, err
	}
	if c.alarms, err = alarm.Read(c.path("alarms.json"), now, cfg.Log); err != nil {
		return nil, err
	}
	if err := remove(c.path("centre.json")); err != nil { // of a centre that was killed
		return nil, err
	}
	if err := c.readPorts(); err != nil {
		return nil, err
	}
	if c.book, err = people.Open(people.Config{Dir: c.path("keys")}); err != nil {
		return nil, err
	}
	if c.access, err = access.Open(access.Config{Dir: c.path("access"), Now: time.Now, Changed: c.accessChanged, Log: cfg.Log}); err != nil {
		return nil, err
	}
	if err := c.openBroker(ctx); err != nil {
		return nil, err
	}
	if c.store, err = store.Open(store.Config{Dir: c.path("model"), Office: trust.IsOffice, Log: cfg.Log}); err != nil {
		return nil, err
	}
	if err := c.openLog(ctx); err != nil {
		return nil, err
	}
	reader, err := c.broker.Connect(trust.Reader)
	if err != nil {
		return nil, err
	}
	if c.source, err = stream.Open(ctx, reader, wire.Records.Name); err != nil {
		return nil, err
	}
	c.openHealer()
	if err := c.openGate(ctx); err != nil {
		return nil, err
	}
	if err := c.openOffice(); err != nil {
		return nil, err
	}
	if err := c.openSecond(); err != nil {
		return nil, err
	}
	if err := c.cutRevoked(1); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *Centre) path(name string) string { return filepath.Join(c.cfg.Dir, name) }

// readPorts reads the ports of the first start, or finds some.
func (c *Centre) readPorts() error {
	path := c.path("ports.json")
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		for _, p := range []*int{&c.ports.NATS, &c.ports.Enrol, &c.ports.Office} {
			if *p, err = port.Free(c.cfg.Host); err != nil {
				return err
			}
		}
		c.newPorts = true
		return nil
	}
	if err != nil {
		return err
	}
	var p ports
	if err := json.Unmarshal(b, &p); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	for _, n := range []int{p.NATS, p.Enrol, p.Office} {
		if n < 1 || n > 65535 {
			return fmt.Errorf("%s: it should hold three ports, nats, enrol and office, from 1 to 65535; %d is none", path, n)
		}
	}
	c.ports = p
	return nil
}

// Rebuild builds the read model anew from the stream.
func (c *Centre) Rebuild(ctx context.Context, progress func(done, of uint64)) error {
	return c.store.Rebuild(ctx, c.source, progress)
}

// Close takes everything down. Serve must have ended.
func (c *Centre) Close() error {
	var err error
	if c.desk != nil {
		err = errors.Join(err, c.desk.Close())
	}
	if c.store != nil {
		err = errors.Join(err, c.store.Close())
	}
	if c.log != nil {
		err = errors.Join(err, c.log.Close())
	}
	if c.broker != nil {
		c.broker.Shutdown()
	}
	if c.access != nil {
		err = errors.Join(err, c.access.Close())
	}
	if c.trust != nil {
		err = errors.Join(err, c.trust.Close())
	}
	return err
}

func now() events.Millis { return events.MillisOf(time.Now()) }

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
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
