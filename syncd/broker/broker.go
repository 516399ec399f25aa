// Package broker is the centre's message server: nats-server with JetStream, in operator mode, so that it trusts nobody
// but the users of package trust. Start runs one within this process (Broker); Join goes to a cluster of servers elsewhere
// (Cluster), for which Configuration writes the files.
//
// It is set up for one promise: what it has confirmed is on the disk. Every write is synced before it is confirmed
// (SyncAlways), a stream's messages can be neither deleted nor purged, and a stream that exists with other settings than
// ours is refused rather than bent.
//
// Devices come over TCP, with TLS, which begins before either side has said anything. Without it the server listens on
// loopback only. The centre's own parts connect within the process (Connect), without TLS, each in its role. There is no monitoring port, no other protocol, and no signal handler: who starts a Broker shuts it down.
package broker

import (
	"cmp"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"ullage/events/wire"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

// Errors of Start.
var (
	ErrPort  = errors.New("the port is taken")
	ErrStore = errors.New("the store is another centre's")
)

// MaxPayload is the most that a message may have, headers included.
const MaxPayload = wire.MaxMessage + 64<<10

// Config is what Start needs.
type Config struct {
	Dir   string       // of the streams
	Host  string       // where it listens; empty: 127.0.0.1
	Port  int          // 0 or -1: a free one
	Name  string       // by which devices reach it; empty: Host
	TLS   *tls.Config  // how it speaks to devices; nil: without TLS, and Host has to be of this machine alone
	Trust *trust.Trust // needed
	Log   *slog.Logger // nil: nothing is logged
}

// Broker is a running server.
type Broker struct {
	keeper
	url  url.URL // but for its port
	lock *disk.Held
	srv  *server.Server
	once sync.Once

	mu      sync.Mutex
	conns   []*nats.Conn           // that Connect made
	revoked jwt.RevocationList     // that were applied
	resting map[string]*time.Timer // users who are kept out for a while
}

// Start starts the server and returns once devices can connect. Its errors wrap ErrPort, naming the port, where
// something else listens there, trust.ErrLoopback for a host that others can reach without TLS, disk.ErrHeld where another broker
// runs on the folder, and ErrStore where the folder has streams that these keys do not open.
func Start(cfg Config) (_ *Broker, err error) {
	if cfg.Host == "" {
		cfg.Host = "127.0.0.1"
	}
	if cfg.Port == 0 {
		cfg.Port = server.RANDOM_PORT
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Trust == nil || cfg.Dir == "" {
		return nil, errors.New("broker: it needs a folder and keys")
	}
	if cfg.TLS == nil {
		if err := trust.CheckLoopback(cfg.Host); err != nil {
			return nil, err
		}
	}
	if err := disk.MakeDir(cfg.Dir); err != nil {
		return nil, err
	}
	b := &Broker{url: url.URL{Scheme: "nats", Host: cmp.Or(cfg.Name, cfg.Host)}}
	b.keeper = keeper{trust: cfg.Trust, log: cfg.Log, replicas: 1, alone: true, connect: b.Connect}
	if cfg.TLS != nil {
		b.url.Scheme = "tls"
	}
	if b.lock, err = disk.Lock(filepath.Join(cfg.Dir, "lock")); err != nil {
		return nil, fmt.Errorf("another broker runs on %s: %w", cfg.Dir, err)
	}
	defer func() {
		if err != nil {
			b.lock.Release()
		}
	}()
	if err := checkStore(cfg.Dir, cfg.Trust); err != nil {
		return nil, err
	}
	if err := checkPort(cfg.Host, cfg.Port); err != nil {
		return nil, err
	}
	if cfg.TLS != nil {
		// Of what the server offers, NonceRequired takes its lock and does nothing else.
		cfg.TLS = newTurnstile(func() { b.srv.NonceRequired() }).guard(cfg.TLS)
	}
	log := newServerLog(cfg.Log, time.Now)
	if b.srv, err = server.NewServer(options(cfg)); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	b.srv.SetLoggerV2(log, false, false, false)
	b.srv.Start() // reads the streams, then listens
	if err := b.ready(log); err != nil {
		b.srv.Shutdown()
		b.srv.WaitForShutdown()
		return nil, err
	}
	log.started()
	return b, nil
}

func options(cfg Config) *server.Options {
	return &server.Options{
		ServerName: "ullage",
		Host:       cfg.Host,
		Port:       cfg.Port,
		NoSigs:     true,

		TLSConfig:         cfg.TLS,
		TLSHandshakeFirst: cfg.TLS != nil, // the server's first words say a lot
		TLSTimeout:        20,             // seconds; waiting for a turn counts

		TrustedOperators: []*jwt.OperatorClaims{cfg.Trust.Operator()},
		AccountResolver:  cfg.Trust.AccountResolver(),
		SystemAccount:    cfg.Trust.SystemAccount(),

		JetStream:              true,
		StoreDir:               cfg.Dir,
		SyncAlways:             true,
		DisableJetStreamBanner: true,

		MaxPayload:     MaxPayload,
		MaxControlLine: 4 << 10, // the longest is a user's CONNECT, with its credential
		MaxPending:     64 << 20,
		WriteDeadline:  10 * time.Second,
		AuthTimeout:    10, // seconds; a whole depot may come back at once

		// The client library takes a ping that overtakes the answer to its CONNECT for a broken connection. The server's
		// first one, two seconds after the connection, does that as soon as a crowd makes it slow.
		DisableShortFirstPing: true,
	}
}

// ready waits until the server listens, or says why it does not.
func (b *Broker) ready(log *serverLog) error {
	if text := log.fatal(); text != "" {
		return fmt.Errorf("broker: %s", text)
	}
	if !b.srv.ReadyForConnections(10 * time.Second) {
		return errors.New("broker: it was not ready in time")
	}
	if !b.srv.JetStreamEnabled() {
		return errors.New("broker: it runs without streams")
	}
	return nil
}

// checkPort finds out before any stream is read whether something else listens; the server would find out afterwards.
func checkPort(host string, port int) error {
	if port < 0 {
		return nil
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, fmt.Sprint(port)))
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%w: something else listens on port %d of %s", ErrPort, port, host)
	}
	if err != nil {
		return fmt.Errorf("broker: port %d: %w", port, err)
	}
	return l.Close()
}

// checkStore refuses a folder that has the streams of other accounts: the server would leave them aside without a word
// and begin with empty ones.
func checkStore(dir string, t *trust.Trust) error {
	entries, err := os.ReadDir(filepath.Join(dir, "jetstream"))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	for _, e := range entries {
		if name := e.Name(); nkeys.IsValidPublicAccountKey(name) && name != t.CentreAccount() && name != t.FeedAccount() && name != t.SystemAccount() {
			return fmt.Errorf("%w: %s has streams that were made with other keys; take those keys back from a backup", ErrStore, dir)
		}
	}
	return nil
}

// ClientURL is where devices connect.
func (b *Broker) ClientURL() string {
	u := b.url
	u.Host = net.JoinHostPort(u.Host, strconv.Itoa(b.Port()))
	return u.String()
}

// Port is the port of ClientURL.
func (b *Broker) Port() int { return b.srv.Addr().(*net.TCPAddr).Port }

// Connect connects a part of the centre within the process, in its role. The connection comes back by itself; while it
// is away, what is published fails at once rather than later than its sender thinks. The options are applied last.
// Shutdown closes it, if nobody has before.
func (b *Broker) Connect(role trust.Role, opts ...nats.Option) (*nats.Conn, error) {
	user, inbox, err := b.trust.UserOption(role)
	if err != nil {
		return nil, err
	}
	all := []nats.Option{
		nats.InProcessServer(b.srv), user, nats.Name(string(role)),
		nats.MaxReconnects(-1), nats.ReconnectWait(100 * time.Millisecond), nats.ReconnectBufSize(-1),
	}
	if inbox != "" {
		all = append(all, nats.CustomInboxPrefix(inbox))
	}
	nc, err := nats.Connect("", append(all, opts...)...)
	if err != nil {
		return nil, fmt.Errorf("connect as %s: %w", role, err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.conns = append(slices.DeleteFunc(b.conns, (*nats.Conn).IsClosed), nc)
	return nc, nil
}

// UpdateDevicesAccount applies the claims that trust.Revoke returned, and cuts the connections of devices that are
// revoked. Revocations are for good: claims that come late, out of order, take none back.
func (b *Broker) UpdateDevicesAccount(claims *jwt.AccountClaims) error {
	if claims.Subject != b.trust.DevicesAccount() {
		return fmt.Errorf("broker: %s is not the devices' account", claims.Subject)
	}
	account, err := b.srv.LookupAccount(claims.Subject)
	if err != nil {
		return fmt.Errorf("broker: the devices' account: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	all := jwt.RevocationList{}
	for _, list := range []jwt.RevocationList{b.revoked, claims.Revocations} {
		for key, until := range list {
			all[key] = max(until, all[key])
		}
	}
	b.revoked = all
	b.apply(account, claims)
	return nil
}

// apply tells the server who may not connect: those who are revoked, and those who rest. It needs mu held.
func (b *Broker) apply(account *server.Account, claims *jwt.AccountClaims) {
	next := *claims
	next.Revocations = maps.Clone(b.revoked)
	if next.Revocations == nil {
		next.Revocations = jwt.RevocationList{}
	}
	for user := range b.resting {
		next.RevokeAt(user, ever)
	}
	b.srv.UpdateAccountClaims(account, &next)
}

// ever is when the revocation of one who rests ends by itself; it is taken back before.
var ever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// Rest cuts a device's connections, by the public key that it connects by, and lets none in for a while.
func (b *Broker) Rest(user string, length time.Duration) error {
	token, err := b.trust.AccountResolver().Fetch(b.trust.DevicesAccount())
	if err != nil {
		return fmt.Errorf("broker: the devices' account: %w", err)
	}
	claims, err := jwt.DecodeAccountClaims(token)
	if err != nil {
		return fmt.Errorf("broker: the devices' account: %w", err)
	}
	account, err := b.srv.LookupAccount(claims.Subject)
	if err != nil {
		return fmt.Errorf("broker: the devices' account: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.resting[user] != nil {
		return nil
	}
	if b.resting == nil {
		b.resting = map[string]*time.Timer{}
	}
	b.resting[user] = time.AfterFunc(length, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.resting[user] != nil {
			delete(b.resting, user)
			b.apply(account, claims) // who was revoked meanwhile stands in b.revoked
		}
	})
	b.apply(account, claims)
	return nil
}

// Shutdown closes the connections that Connect made, stops the server, and returns when everything is down. A second
// call does nothing.
func (b *Broker) Shutdown() {
	b.once.Do(func() {
		b.mu.Lock()
		for _, nc := range b.conns {
			nc.Close()
		}
		b.conns = nil
		for user, t := range b.resting {
			t.Stop()
			delete(b.resting, user)
		}
		b.mu.Unlock()
		b.srv.Shutdown()
		b.srv.WaitForShutdown()
		b.lock.Release()
	})
}
