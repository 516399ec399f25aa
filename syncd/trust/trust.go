// Package trust holds the centre's keys and says who may write.
//
// The broker knows these accounts, each a room of its own: SYS is the server's, CENTRE holds the streams, DEVICES is
// where devices and the gate meet, FEED holds what integrators may read, and each integrator (Grant) has one too.
// DEVICES has no streams and no door to CENTRE, so that nothing a device sends, names or asks an answer to reaches a
// stream; only the gate has a user in either room. What a user may say and hear stands in its credential (a JWT signed
// by its account) and is enforced by the server. The server checks the subject that a user publishes on, not the reply
// subject that it names. Of what a device asks answers to, the rooms stop everything but the inboxes of other devices;
// those are the gate's to stop (wire.OwnInbox). Within CENTRE a credential keeps the centre's own parts from each
// other's mistakes; it is no wall against a part that means harm.
//
// The centre's own users (Role) have keys that are made at each start and stand in memory only. A device makes its keys
// itself and brings the public halves with a one-time code: NewCode, then Redeem, or EnrolHandler over HTTP. Its
// credential does not expire; Revoke ends it, for good. A name is given once: a device that was enrolled, or that may
// have been, keeps its name for ever.
//
// On disk, below Config.Dir, all of it readable by the owner only, each file written whole or not at all:
//
//	token                    the token of the local API, 64 hexadecimal digits
//	ca.pem                   the certificate that the server's lead to, for those who are to trust it; it is no secret
//	keys/lock                held by the running centre
//	keys/centre.json         seeds of operator and accounts, of this centre's device (office-1) and its gate (gate-1)
//	keys/log.json            key of the public log, and what is remembered of it (publog)
//	keys/authority.pem       the certificate authority by which the centre shows who it is (ca)
//	keys/others.json         public keys of the devices and gates of this centre's other seats, where it has some (Seat)
//	keys/devices/<id>.json   a device: its public keys, its credential, and how far its enrolment is
//	keys/grants/<name>.json  who was granted a part of the feed: public keys, what, until when, revoked when
//	keys/codes/<name>.json   a code that was given out: SHA-256 of its secret, and when it runs out
//
// An enrolment goes: device file "pending" with the keys that came, the hook OnEnrolled, device file "enrolled", the
// answer. A crash in between leaves a pending device, which is nobody yet; the same device with the same keys and code
// goes on from there, and the hook hears of it again. Until the code runs out the same question gets the same answer,
// so that an answer that was lost on the way costs nothing.
package trust

import (
	"cmp"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/seldom"
	"ullage/syncd/trust/ca"
	"ullage/syncd/trust/disk"
	"ullage/syncd/trust/publog"
)

// Config is what Open needs.
type Config struct {
	Dir    string           // the centre's folder
	Now    func() time.Time // nil: time.Now
	Random io.Reader        // nil: crypto/rand
	Log    *slog.Logger     // nil: nothing is logged; no secret ever is

	Cluster  bool // the broker is a cluster of servers elsewhere, not one within this process
	Unsynced bool // which confirms what need not be on a disk yet

	Names     []string // by which devices reach this centre beside those of loopback
	Cert, Key string   // files of certificates that are given (ca.Given); both or none

	// OnEnrolled hears of each device before its enrolment is answered; nil: nobody does. With an error the device is
	// not enrolled, and may try again. It can be called again for the same device and keys, after a crash or a failed
	// write. It may call Device and Devices, which do not know the device yet; NewCode and Redeem wait until it returns.
	OnEnrolled func(Device) error
}

// Trust is the centre's keys and devices. Its methods may be called at the same time.
type Trust struct {
	cfg       Config
	dir       string // of keys
	lock      *disk.Held
	keys      *keys
	log       *publog.Key
	cert      certificates
	authority *ca.Authority // own, also where certificates are given

	token         string
	users         map[Role]user
	operator      *jwt.OperatorClaims
	operatorToken string
	resolver      *server.MemAccResolver

	write func(path string, data []byte) error // disk.WriteFile, but for tests

	refused seldom.Second // lines of the log about enrolments

	// enrol is held through a whole enrolment, the hook included.
	enrol sync.Mutex
	codes map[events.DeviceID]code
	tries tries

	// granting is held while a grant is made or revoked, and protects them.
	granting sync.Mutex
	grants   map[events.DeviceID]Grant

	// seats protects the devices and gates of other seats; who has mu may take it.
	seats  sync.RWMutex
	others map[events.DeviceID]ed25519.PublicKey

	// mu protects what follows, and the order of writes to device files.
	mu      sync.RWMutex
	devices map[events.DeviceID]*enrolled
}

// Open loads the centre's keys and devices, and makes the keys at the first start. One Trust at a time works on a
// folder. Its errors wrap disk.ErrHeld where another one does, and ErrKeys, publog.ErrKey
// or ca.ErrAuthority where keys are lost or damaged, and ca.ErrGiven where given certificates cannot be used.
func Open(cfg Config) (_ *Trust, err error) {
	if cfg.Dir == "" {
		return nil, errors.New("trust: no folder given")
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	cfg.Random = cmp.Or[io.Reader](cfg.Random, rand.Reader)
	cfg.Log = cmp.Or(cfg.Log, slog.New(slog.DiscardHandler))
	t := &Trust{cfg: cfg, dir: filepath.Join(cfg.Dir, "keys"), resolver: &server.MemAccResolver{}, write: disk.WriteFile}
	for _, d := range []string{cfg.Dir, t.dir, t.devicesDir(), t.codesDir(), t.grantsDir()} {
		if err := disk.MakeDir(d); err != nil {
			return nil, err
		}
	}
	if t.lock, err = disk.Lock(filepath.Join(t.dir, "lock")); err != nil {
		return nil, fmt.Errorf("another centre runs on %s: %w", cfg.Dir, err)
	}
	defer func() {
		if err != nil {
			t.lock.Release()
		}
	}()
	for _, d := range []string{cfg.Dir, t.dir, t.devicesDir(), t.codesDir(), t.grantsDir()} {
		if err := disk.Sweep(d); err != nil {
			return nil, err
		}
	}
	if err := t.load(); err != nil {
		return nil, err
	}
	return t, nil
}

func (t *Trust) load() error {
	k, made, err := openKeys(filepath.Join(t.dir, "centre.json"), t.cfg.Random, func() (string, error) {
		return traceOf(t.devicesDir(), t.codesDir(), t.grantsDir())
	})
	if err != nil {
		return err
	}
	t.keys = k
	if made {
		t.cfg.Log.Info("the centre's keys are made", "centre", k.office.id)
	}
	if t.log, err = publog.OpenKey(filepath.Join(t.dir, "log.json"), t.cfg.Random, func() (string, error) {
		return traceOf(t.LogDir())
	}); err != nil {
		return err
	}
	if t.token, err = openToken(filepath.Join(t.cfg.Dir, "token"), t.cfg.Random); err != nil {
		return err
	}
	if t.devices, err = loadDevices(t.devicesDir()); err != nil {
		return err
	}
	if err := t.loadOthers(); err != nil {
		return err
	}
	if t.codes, err = loadCodes(t.codesDir()); err != nil {
		return err
	}
	if err := t.openCertificates(); err != nil {
		return err
	}
	if t.grants, err = loadGrants(t.grantsDir()); err != nil {
		return err
	}
	if t.users, err = makeUsers(k, t.cfg.Random, t.cfg.Cluster); err != nil {
		return err
	}
	return t.makeAccounts()
}

// Close lets another Trust work on the folder. Nothing else may be called afterwards.
func (t *Trust) Close() error { return t.lock.Release() }

// Office is this centre's own device: the name and key by which it writes and seals records.
func (t *Trust) Office() (events.DeviceID, ed25519.PrivateKey) {
	return t.keys.office.id, t.keys.office.key
}

// Gate is the name and key by which this centre's gate signs receipts: another name where what they are for need not be on
// a disk, so that each receipt says so.
func (t *Trust) Gate() (events.DeviceID, ed25519.PrivateKey) {
	if t.cfg.Unsynced {
		return t.keys.gate.id + unsyncedEnd, t.keys.gate.key
	}
	return t.keys.gate.id, t.keys.gate.key
}

// GateKeys are the public keys of all gates whose receipts hold, under both of their names where there is a cluster.
func (t *Trust) GateKeys() []wire.GateKey {
	if !t.cfg.Cluster {
		return []wire.GateKey{{Gate: t.keys.gate.id, Key: t.keys.gate.public()}}
	}
	all := gateKeysOf(t.keys.gate.id, t.keys.gate.public())
	for id, key := range t.otherSeats() {
		if !IsOffice(id) {
			all = append(all, gateKeysOf(id, key)...)
		}
	}
	slices.SortFunc(all, func(a, b wire.GateKey) int { return strings.Compare(string(a.Gate), string(b.Gate)) })
	return all
}

// Log is the key of the public log.
func (t *Trust) Log() *publog.Key { return t.log }

// LogDir is the folder of the public log's files.
func (t *Trust) LogDir() string { return filepath.Join(t.cfg.Dir, "log") }

// Token is the token of the local API.
func (t *Trust) Token() string { return t.token }

func (t *Trust) devicesDir() string { return filepath.Join(t.dir, "devices") }
func (t *Trust) codesDir() string   { return filepath.Join(t.dir, "codes") }
func (t *Trust) grantsDir() string  { return filepath.Join(t.dir, "grants") }
