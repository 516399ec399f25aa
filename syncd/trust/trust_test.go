package trust

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
	"ullage/syncd/trust/publog"
)

// clock is a time that tests move.
type clock struct{ at time.Time }

func newClock() *clock                   { return &clock{time.Date(2031, 3, 4, 5, 6, 7, 0, time.UTC)} }
func (c *clock) now() time.Time          { return c.at }
func (c *clock) advance(d time.Duration) { c.at = c.at.Add(d) }

func open(t *testing.T, cfg Config) *Trust {
	t.Helper()
	tr, err := Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tr.Close() })
	return tr
}

// tablet is a device that wants to be enrolled.
type tablet struct {
	seal ed25519.PublicKey
	conn string
}

func newTablet(t *testing.T) tablet {
	t.Helper()
	seal, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	kp, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := kp.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return tablet{seal, public}
}

func (d tablet) request(c wire.Code) wire.EnrolRequest {
	return wire.EnrolRequest{Secret: c.Secret[:], SealKey: d.seal, ConnKey: d.conn, Software: "test 1"}
}

const address = "https://127.0.0.1:1/enrol"

func mustCode(t *testing.T, tr *Trust, name string) wire.Code {
	t.Helper()
	c, err := tr.NewCode(name, address)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustRedeem(t *testing.T, tr *Trust, req wire.EnrolRequest) wire.EnrolAnswer {
	t.Helper()
	a, err := tr.Redeem(req)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestStartAndLoad(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	office, key := tr.Office()
	gate, gateKey := tr.Gate()
	if office != "office-1" || gate != "gate-1" || key.Equal(gateKey) {
		t.Errorf("office %s, gate %s", office, gate)
	}
	if d, ok := tr.Device(office); !ok || !d.Office || !d.Key.Equal(key.Public()) || d.Conn != "" {
		t.Errorf("the office's device: %+v, %v", d, ok)
	}
	if g := tr.GateKeys(); len(g) != 1 || g[0].Gate != gate || !g[0].Key.Equal(gateKey.Public()) {
		t.Errorf("the gates' keys: %+v", g)
	}
	if token := tr.Token(); len(token) != 64 {
		t.Errorf("the token %q", token)
	}
	a := mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	mustCode(t, tr, "tab-2")
	before, op, accounts := tr.Devices(), tr.Operator().Subject, tr.SystemAccount()+tr.CentreAccount()+tr.DevicesAccount()
	checkModes(t, dir)
	tr.Close()

	tr2 := open(t, Config{Dir: dir})
	if _, k := tr2.Office(); !k.Equal(key) {
		t.Error("another sealing key")
	}
	if _, k := tr2.Gate(); !k.Equal(gateKey) {
		t.Error("another gate's key")
	}
	if tr2.Token() != tr.Token() || tr2.Operator().Subject != op || tr2.SystemAccount()+tr2.CentreAccount()+tr2.DevicesAccount() != accounts {
		t.Error("another token, operator or account")
	}
	after := tr2.Devices()
	if len(before) != 2 || len(after) != 2 || after[1].ID != a.Device || !after[1].Key.Equal(before[1].Key) || after[1].Conn != before[1].Conn {
		t.Errorf("devices %+v, then %+v", before, after)
	}
}

func checkModes(t *testing.T, dir string) {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("SKIPPED: on this system files have no modes")
	}
	n := 0
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		want := fs.FileMode(0o600)
		if e.IsDir() {
			want = 0o700
		}
		i, err := e.Info()
		if err == nil && i.Mode().Perm() != want {
			t.Errorf("%s has mode %v", path, i.Mode())
		}
		n++
		return err
	})
	if err != nil || n < 7 {
		t.Errorf("%d files, %v", n, err)
	}
}

func TestOneAtATime(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	if _, err := Open(Config{Dir: dir}); !errors.Is(err, disk.ErrHeld) {
		t.Errorf("a second one: %v", err)
	}
	tr.Close()
	open(t, Config{Dir: dir})
}

// However far a first start came, the next one goes on from there.
func TestFirstStartCutShort(t *testing.T) {
	whole := t.TempDir()
	tr := open(t, Config{Dir: whole})
	token := tr.Token()
	tr.Close()
	keyBytes := read(t, filepath.Join(whole, "keys", "centre.json"))

	for name, leave := range map[string]func(dir string){
		"nothing":      func(dir string) {},
		"folders":      func(dir string) { mkdir(t, filepath.Join(dir, "keys", "devices")) },
		"half a key":   func(dir string) { put(t, filepath.Join(dir, "keys", ".new-centre.json-1"), keyBytes[:100]) },
		"keys":         func(dir string) { put(t, filepath.Join(dir, "keys", "centre.json"), keyBytes) },
		"half a token": func(dir string) { put(t, filepath.Join(dir, ".new-token-1"), []byte(token[:10])) },
	} {
		dir := t.TempDir()
		leave(dir)
		tr, err := Open(Config{Dir: dir})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(tr.Token()) != 64 || name == "keys" && !bytes.Equal(read(t, filepath.Join(dir, "keys", "centre.json")), keyBytes) {
			t.Errorf("%s: not what a start makes", name)
		}
		tr.Close()
		left, _ := filepath.Glob(filepath.Join(dir, "*", ".new-*"))
		top, _ := filepath.Glob(filepath.Join(dir, ".new-*"))
		if len(left)+len(top) > 0 {
			t.Errorf("%s: %v %v is left over", name, left, top)
		}
		open(t, Config{Dir: dir})
	}
}

// Without randomness there are no keys, and nothing is left that a later start would take for some.
func TestNoRandomness(t *testing.T) {
	dir := t.TempDir()
	for n := range 6*32 + 4*32 {
		tr, err := Open(Config{Dir: dir, Random: bytes.NewReader(make([]byte, n))})
		if err == nil {
			tr.Close()
			if n < 6*32 {
				t.Errorf("keys from %d bytes", n)
			}
		}
		if n < 6*32 {
			if _, err := os.Stat(filepath.Join(dir, "keys", "centre.json")); err == nil {
				t.Fatalf("a key file after %d bytes", n)
			}
		}
	}
}

// Lost or damaged keys are told and never made anew.
func TestKeysLostOrDamaged(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "keys", "centre.json")
	tr := open(t, Config{Dir: dir})
	mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	tr.Close()
	good := read(t, path)

	tell := func(what string) {
		t.Helper()
		tr, err := Open(Config{Dir: dir})
		if err == nil {
			tr.Close()
		}
		if !errors.Is(err, ErrKeys) {
			t.Errorf("%s: %v", what, err)
		}
	}
	kept, err := readKeys(good)
	if err != nil {
		t.Fatal(err)
	}
	for n := range len(good) - 2 {
		if _, err := readKeys(good[:n]); err == nil {
			t.Errorf("cut off at byte %d: taken", n)
		}
		bad := bytes.Clone(good)
		bad[n] ^= 1
		if k, err := readKeys(bad); err == nil && !sameKeys(k, kept) {
			t.Errorf("byte %d changed, and the keys are others", n)
		}
	}
	put(t, path, good[:len(good)/2])
	tell("cut off")
	put(t, path, nil)
	tell("empty")
	put(t, path, append(bytes.Clone(good), "{}"...))
	tell("something behind")
	put(t, path, bytes.Replace(good, []byte(`"version": 1`), []byte(`"version": 2`), 1))
	tell("another version")
	put(t, path, bytes.Replace(good, []byte(`"version": 1`), []byte(`"more": 1, "version": 1`), 1))
	tell("another field")
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	tell("lost")
	if _, err := os.Stat(path); err == nil {
		t.Error("a key file was made in place of the lost one")
	}
	put(t, path, good)
	open(t, Config{Dir: dir})
}

// The key of the public log is made once, and not anew where a log lies about that was signed by another.
func TestKeyOfTheLogLost(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "keys", "log.json")
	tr := open(t, Config{Dir: dir})
	public := tr.Log().Public()
	tr.Close()
	if tr = open(t, Config{Dir: dir}); !tr.Log().Public().Equal(public) {
		t.Error("another key after a restart")
	}
	if err := os.MkdirAll(tr.LogDir(), 0o700); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(tr.LogDir(), "epoch-1.entries"), nil)
	tr.Close()
	good := read(t, path)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Config{Dir: dir}); !errors.Is(err, publog.ErrKey) || !strings.Contains(err.Error(), path) {
		t.Errorf("lost: %v", err)
	}
	put(t, path, good)
	open(t, Config{Dir: dir})
}

// sameKeys allows for changes of a letter in a name, and of bits that base64 does not use.
func sameKeys(a, b *keys) bool {
	return a.operator.public == b.operator.public && a.system.public == b.system.public && a.centre.public == b.centre.public &&
		a.devices.public == b.devices.public && a.office.key.Equal(b.office.key) && a.gate.key.Equal(b.gate.key)
}

func TestTokenFile(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	old := tr.Token()
	tr.Close()
	path := filepath.Join(dir, "token")
	for _, bad := range []string{"", "\n", old[:62], old + "00", strings.Repeat("x", 64)} {
		put(t, path, []byte(bad))
		if tr, err := Open(Config{Dir: dir}); err == nil {
			tr.Close()
			t.Errorf("the token %q was taken", bad)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if tr := open(t, Config{Dir: dir}); tr.Token() == old || len(tr.Token()) != 64 {
		t.Errorf("the new token is %q, the old one was %q", tr.Token(), old)
	}
}

// A file that cannot be read is told by name; nobody is forgotten by it.
func TestDeviceFiles(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	tr.Close()
	path := filepath.Join(dir, "keys", "devices", "tab-1.json")
	good := read(t, path)
	tell := func(path string, content []byte) {
		t.Helper()
		put(t, path, content)
		tr, err := Open(Config{Dir: dir})
		if err == nil {
			tr.Close()
		}
		if err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", content, err)
		}
	}
	for n := 0; n < len(good)-2; n += 7 {
		tell(path, good[:n])
	}
	tell(path, bytes.Replace(good, []byte(`"enrolled"`), []byte(`"unknown"`), 1))
	tell(path, bytes.Replace(good, []byte(`"id": "tab-1"`), []byte(`"id": "tab-2"`), 1))
	tell(path, bytes.Replace(good, []byte(`"conn_key": "U`), []byte(`"conn_key": "A`), 1))
	put(t, path, good)
	stray := filepath.Join(dir, "keys", "devices", "note.txt")
	tell(stray, nil)
	if err := os.Remove(stray); err != nil {
		t.Fatal(err)
	}
	if d, ok := open(t, Config{Dir: dir}).Device("tab-1"); !ok || d.ID != events.DeviceID("tab-1") {
		t.Errorf("%+v, %v", d, ok)
	}
}

func TestCheckLoopback(t *testing.T) {
	for _, good := range []string{"127.0.0.1", "127.0.0.1:4222", "127.8.9.1", "::1", "[::1]", "[::1]:80", "localhost", "localhost:0"} {
		if err := CheckLoopback(good); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{
		"", ":80", "0.0.0.0", "0.0.0.0:80", "::", "[::]:80", "192.0.2.1", "192.0.2.1:80", "example.org", "localhost.example.org:80",
		"127.0.0.1.example.org", "*",
	} {
		if err := CheckLoopback(bad); !errors.Is(err, ErrLoopback) || !strings.Contains(err.Error(), bad) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func mkdir(t *testing.T, dir string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
}

func put(t *testing.T, path string, b []byte) {
	t.Helper()
	mkdir(t, filepath.Dir(path))
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A device that has forked stays so, over a restart and a revocation, and keeps its credential.
func TestFreeze(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	office, _ := tr.Office()
	if err := tr.Freeze("tab-2"); !errors.Is(err, ErrDevice) {
		t.Errorf("a device that is none: %v", err)
	}
	if err := tr.Freeze(office); err == nil {
		t.Error("the centre's own device is frozen")
	}
	for range 2 {
		if err := tr.Freeze("tab-1"); err != nil {
			t.Fatal(err)
		}
	}
	check := func(tr *Trust, revoked bool) {
		t.Helper()
		if d, ok := tr.Device("tab-1"); !ok || !d.Frozen || d.Revoked != revoked {
			t.Errorf("%+v, %v", d, ok)
		}
	}
	check(tr, false)
	tr.Close()
	tr = open(t, Config{Dir: dir})
	check(tr, false)
	if _, err := tr.Revoke("tab-1"); err != nil {
		t.Fatal(err)
	}
	check(tr, true)
	tr.Close()
	check(open(t, Config{Dir: dir}), true)
}
