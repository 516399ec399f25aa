package trust

import (
	"bytes"
	"encoding/base64"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"

	"ullage/events"
	"ullage/events/wire"
)

func TestCredential(t *testing.T) {
	tr := open(t, Config{Dir: t.TempDir()})
	tab := newTablet(t)
	a := mustRedeem(t, tr, tab.request(mustCode(t, tr, "tab-1")))
	if !bytes.Equal(a.Log, tr.Log().Public()) {
		t.Errorf("the log's key is %x, want %x", a.Log, tr.Log().Public())
	}
	if a.Device != "tab-1" || a.NATS != "" || len(a.Gates) != 1 || a.Gates[0].Gate != "gate-1" {
		t.Errorf("the answer is %+v", a)
	}
	u, err := jwt.DecodeUserClaims(a.JWT)
	if err != nil {
		t.Fatal(err)
	}
	var want jwt.UserPermissionLimits
	want.Pub.Allow = jwt.StringList{"up.tab-1.>"}
	want.Sub.Allow = jwt.StringList{"inbox.tab-1.>"}
	want.Limits.NatsLimits = jwt.NatsLimits{Subs: 4, Data: jwt.NoLimit, Payload: DevicePayload}
	want.Limits.UserLimits = jwt.UserLimits{Src: jwt.CIDRList{}}
	want.AllowedConnectionTypes = jwt.StringList{jwt.ConnectionTypeStandard}
	u.Limits.Src = jwt.CIDRList{}
	if !reflect.DeepEqual(u.UserPermissionLimits, want) {
		t.Errorf("permissions\n%+v, want\n%+v", u.UserPermissionLimits, want)
	}
	if u.Name != "tab-1" || u.Subject != tab.conn || u.Issuer != tr.DevicesAccount() || u.Expires != 0 || u.NotBefore != 0 {
		t.Errorf("claims %+v", u)
	}
	if DevicePayload < wire.MaxFrame+4<<10 {
		t.Errorf("a whole frame and its headers do not fit into %d", DevicePayload)
	}
}

func TestCodeOneUse(t *testing.T) {
	clk := newClock()
	cfg := Config{Dir: t.TempDir(), Now: clk.now}
	tr := open(t, cfg)
	tab, other := newTablet(t), newTablet(t)
	code := mustCode(t, tr, "tab-1")
	if code.Address != address {
		t.Errorf("the code's address is %q", code.Address)
	}
	first := mustRedeem(t, tr, tab.request(code))

	again := func(tr *Trust, what string) {
		t.Helper()
		if a, err := tr.Redeem(tab.request(code)); err != nil || !reflect.DeepEqual(a, first) {
			t.Errorf("%s: got %+v, %v, want the first answer again", what, a, err)
		}
		for _, thief := range []tablet{other, {tab.seal, other.conn}, {other.seal, tab.conn}} {
			if _, err := tr.Redeem(thief.request(code)); !errors.Is(err, ErrCode) {
				t.Errorf("%s: other keys: %v", what, err)
			}
		}
	}
	again(tr, "at once")
	clk.advance(CodeLife - time.Second)
	again(tr, "just before it runs out")
	tr.Close()
	tr = open(t, cfg)
	again(tr, "after a restart")
	clk.advance(time.Second)
	if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrCode) || !strings.Contains(err.Error(), "ran out at 2031-03-04T05:21:07Z") {
		t.Errorf("after it ran out: %v", err)
	}
	if n := len(tr.Devices()); n != 2 {
		t.Errorf("%d devices", n)
	}
}

func TestCodeRunsOut(t *testing.T) {
	clk := newClock()
	cfg := Config{Dir: t.TempDir(), Now: clk.now}
	tr := open(t, cfg)
	tab := newTablet(t)
	code := mustCode(t, tr, "tab-1")
	clk.advance(CodeLife)
	if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrCode) {
		t.Errorf("an old code: %v", err)
	}
	next := mustCode(t, tr, "tab-1") // nobody came, so the name is free again
	if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrCode) {
		t.Errorf("an old code with a new one about: %v", err)
	}
	tr.Close()
	tr = open(t, cfg)
	if a := mustRedeem(t, tr, tab.request(next)); a.Device != "tab-1" {
		t.Errorf("got %+v", a)
	}
	clk.advance(codeMemory + CodeLife + time.Second)
	mustCode(t, tr, "tab-2")
	files, _ := filepath.Glob(filepath.Join(cfg.Dir, "keys", "codes", "*"))
	if len(files) != 1 {
		t.Errorf("codes on disk: %v", files)
	}
}

// The secret is nowhere on the disk, in no form.
func TestSecretIsNotKept(t *testing.T) {
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir})
	code := mustCode(t, tr, "tab-1")
	mustRedeem(t, tr, newTablet(t).request(code))
	full := code.String()
	forms := []string{string(code.Secret[:]), strings.Split(full, "-")[1], events.Hash(append(code.Secret[:], make([]byte, 16)...)).String()[:32],
		base64.StdEncoding.EncodeToString(code.Secret[:])}
	seen := 0
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		seen++
		b := read(t, path)
		for _, f := range forms {
			if bytes.Contains(b, []byte(f)) {
				t.Errorf("%s has the secret", path)
			}
		}
		return nil
	})
	if err != nil || seen < 4 {
		t.Errorf("%d files, %v", seen, err)
	}
}

func TestNames(t *testing.T) {
	clk := newClock()
	tr := open(t, Config{Dir: t.TempDir(), Now: clk.now})
	long := strings.Repeat("n", events.MaxIdentifier)
	mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-1")))
	mustCode(t, tr, "tab-2")
	mustCode(t, tr, "tab-2-2")
	mustCode(t, tr, long)
	for name, free := range map[string]string{
		"tab-1": "tab-1-2", "TAB-1": "TAB-1-2", // used
		"tab-2": "tab-2-3", "Tab-2": "Tab-2-3", // waiting
		long:       long[2:] + "-2",
		"office-1": "office-1-2", "office-2": "office-2-2", "gate-1": "gate-1-2", "Gate-77": "Gate-77-2",
	} {
		_, err := tr.NewCode(name, address)
		var taken *NameError
		if !errors.Is(err, ErrName) || !errors.As(err, &taken) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if taken.Free != events.DeviceID(free) || !strings.Contains(err.Error(), free) {
			t.Errorf("%s: %q proposes %q, want %q", name, err, taken.Free, free)
		}
		if _, err := events.ParseDeviceID(string(taken.Free)); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"", "_", "tab 1", "tab.1", "tab/1", "..", "tab*", "tab>", "täb", long + "n"} {
		if _, err := tr.NewCode(bad, address); !errors.Is(err, events.ErrIdentifier) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	for _, fine := range []string{"office-tablet", "gate", "office-1-2", "-", "__", "1"} {
		mustCode(t, tr, fine)
	}
	for _, bad := range []string{
		"", "127.0.0.1:80", "ftp://127.0.0.1", "https://", "http://127.0.0.1:80", "http://192.0.2.1:80", "https://127.0.0.1/" + strings.Repeat("x", maxAddress),
	} {
		if _, err := tr.NewCode("tab-9", bad); err == nil {
			t.Errorf("the address %q was taken", bad)
		}
	}
	if _, err := tr.NewCode("tab-9", "https://example.org:8443"); err != nil {
		t.Error(err)
	}
	clk.advance(CodeLife)
	mustCode(t, tr, "TAB-2") // tab-2 did not come; the names count as one
	for _, name := range []string{"tab-2", "TAB-1"} {
		if _, err := tr.NewCode(name, address); !errors.Is(err, ErrName) {
			t.Errorf("%s beside another of that name: %v", name, err)
		}
	}
}

func TestKeysOfARequest(t *testing.T) {
	clk := newClock()
	tr := open(t, Config{Dir: t.TempDir(), Now: clk.now})
	first := newTablet(t)
	mustRedeem(t, tr, first.request(mustCode(t, tr, "tab-1")))
	code := mustCode(t, tr, "tab-2")
	good := newTablet(t)
	raw := func(conn string) []byte { // the same key as an nkey and raw
		b, err := decodeUser(conn)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	officeKey := tr.keys.office.public()
	for name, change := range map[string]func(*wire.EnrolRequest){
		"no sealing key":         func(r *wire.EnrolRequest) { r.SealKey = nil },
		"short sealing key":      func(r *wire.EnrolRequest) { r.SealKey = r.SealKey[:31] },
		"long sealing key":       func(r *wire.EnrolRequest) { r.SealKey = append(slices.Clone(r.SealKey), 0) },
		"no connection key":      func(r *wire.EnrolRequest) { r.ConnKey = "" },
		"an account's key":       func(r *wire.EnrolRequest) { r.ConnKey = tr.DevicesAccount() },
		"a damaged key":          func(r *wire.EnrolRequest) { r.ConnKey = r.ConnKey[:len(r.ConnKey)-1] + "1" },
		"one key for both":       func(r *wire.EnrolRequest) { r.SealKey = raw(r.ConnKey) },
		"another's sealing key":  func(r *wire.EnrolRequest) { r.SealKey = first.seal },
		"another's connection":   func(r *wire.EnrolRequest) { r.ConnKey = first.conn },
		"the office's key":       func(r *wire.EnrolRequest) { r.SealKey = officeKey },
		"the gate's key":         func(r *wire.EnrolRequest) { r.SealKey = tr.keys.gate.public() },
		"too long a version":     func(r *wire.EnrolRequest) { r.Software = strings.Repeat("v", 65) },
		"lines in the version":   func(r *wire.EnrolRequest) { r.Software = "1\n2" },
		"bad text as a version":  func(r *wire.EnrolRequest) { r.Software = "\xff" },
		"private nkey for a key": func(r *wire.EnrolRequest) { r.ConnKey = "SU" + r.ConnKey[2:] },
	} {
		req := good.request(code)
		change(&req)
		if _, err := tr.Redeem(req); !errors.Is(err, ErrPublicKeys) {
			t.Errorf("%s: %v", name, err)
		}
	}
	mustRedeem(t, tr, good.request(code)) // none of them used it up
}

func TestWrongTries(t *testing.T) {
	clk := newClock()
	tr := open(t, Config{Dir: t.TempDir(), Now: clk.now})
	tab := newTablet(t)
	code := mustCode(t, tr, "tab-1")
	wrong := func(i int) wire.EnrolRequest {
		req := tab.request(code)
		req.Secret = bytes.Clone(req.Secret)
		if i%2 == 0 {
			req.Secret[15] ^= 1
		} else {
			req.Secret = req.Secret[:i]
		}
		return req
	}
	for i := range MaxTries {
		if _, err := tr.Redeem(wrong(i)); !errors.Is(err, ErrCode) {
			t.Fatalf("try %d: %v", i, err)
		}
		clk.advance(time.Second)
	}
	var wait *WaitError
	for _, req := range []wire.EnrolRequest{wrong(0), tab.request(code)} {
		if _, err := tr.Redeem(req); !errors.As(err, &wait) || wait.Wait != 50*time.Second {
			t.Errorf("one too many: %v", err)
		}
	}
	clk.advance(50 * time.Second)
	mustRedeem(t, tr, tab.request(code))
	for i := range MaxTries - 9 { // one place is free for each that is a minute old
		if _, err := tr.Redeem(wrong(i)); !errors.Is(err, ErrCode) {
			t.Errorf("after the wait: %v", err)
		}
	}
	if _, err := tr.Redeem(wrong(0)); !errors.As(err, &wait) {
		t.Errorf("the limit came back: %v", err)
	}
	clk.advance(-24 * time.Hour)
	if _, err := tr.Redeem(wrong(0)); !errors.Is(err, ErrCode) {
		t.Errorf("with the clock set back: %v", err)
	}
}

func TestHook(t *testing.T) {
	for _, reopen := range []bool{false, true} {
		var tr *Trust
		var told []Device
		refuse := errors.New("the journal is full")
		cfg := Config{Dir: t.TempDir(), OnEnrolled: func(d Device) error {
			told = append(told, d)
			if _, known := tr.Device(d.ID); known || len(tr.Devices()) != 1 {
				t.Error("the device is known before it is enrolled")
			}
			return refuse
		}}
		tr = open(t, cfg)
		tab := newTablet(t)
		code := mustCode(t, tr, "tab-1")
		if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrHook) || !errors.Is(err, refuse) {
			t.Errorf("a hook that refuses: %v", err)
		}
		if _, ok := tr.Device("tab-1"); ok {
			t.Error("enrolled all the same")
		}
		if reopen {
			tr.Close()
			tr = open(t, cfg)
		}
		refuse = nil
		tab = newTablet(t) // it may come with new keys, since nothing was enrolled
		a := mustRedeem(t, tr, tab.request(code))
		d, ok := tr.Device("tab-1")
		if !ok || a.Device != "tab-1" || len(told) != 2 || !reflect.DeepEqual(told[1], d) || !d.Key.Equal(tab.seal) {
			t.Errorf("%+v; told %+v", d, told)
		}
		mustRedeem(t, tr, tab.request(code))
		if len(told) != 2 {
			t.Error("the hook heard of a repeated answer")
		}
	}
}

// Many with one code: one gets in.
func TestRedeemAtOnce(t *testing.T) {
	tr := open(t, Config{Dir: t.TempDir(), OnEnrolled: func(Device) error { return nil }})
	code := mustCode(t, tr, "tab-1")
	var wg sync.WaitGroup
	in := make(chan wire.EnrolAnswer, 8)
	start := make(chan struct{})
	for range cap(in) {
		req := newTablet(t).request(code)
		wg.Go(func() {
			<-start
			if a, err := tr.Redeem(req); err == nil {
				in <- a
			} else if !errors.Is(err, ErrCode) {
				t.Error(err)
			}
		})
		wg.Go(func() { <-start; tr.Devices() })
	}
	close(start)
	wg.Wait()
	if len(in) != 1 || len(tr.Devices()) != 2 {
		t.Errorf("%d got in", len(in))
	}
}

func TestRevoke(t *testing.T) {
	tr := open(t, Config{Dir: t.TempDir()})
	tab := newTablet(t)
	code := mustCode(t, tr, "tab-1")
	mustRedeem(t, tr, tab.request(code))
	keep := mustRedeem(t, tr, newTablet(t).request(mustCode(t, tr, "tab-2")))
	for range 2 {
		claims, err := tr.Revoke("tab-1")
		if err != nil || len(claims.Revocations) != 1 || !claims.Revocations.IsRevoked(tab.conn, time.Now().AddDate(50, 0, 0)) {
			t.Fatalf("%+v, %v", claims, err)
		}
		stored, err := tr.AccountResolver().Fetch(tr.DevicesAccount())
		if err != nil {
			t.Fatal(err)
		}
		if c, err := jwt.DecodeAccountClaims(stored); err != nil || !reflect.DeepEqual(c.Revocations, claims.Revocations) {
			t.Errorf("the resolver has %+v, %v", c, err)
		}
	}
	if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrCode) {
		t.Errorf("a revoked device asks for its answer again: %v", err)
	}
	if _, err := tr.NewCode("tab-1", address); !errors.Is(err, ErrName) {
		t.Errorf("the name of a revoked device: %v", err)
	}
	if d, ok := tr.Device("tab-1"); !ok || !d.Revoked {
		t.Errorf("%+v, %v", d, ok)
	}
	if d, ok := tr.Device(keep.Device); !ok || d.Revoked {
		t.Errorf("%+v, %v", d, ok)
	}
	for _, id := range []events.DeviceID{"tab-3", "", "office-1"} {
		if _, err := tr.Revoke(id); err == nil || id != "office-1" && !errors.Is(err, ErrDevice) {
			t.Errorf("%q: %v", id, err)
		}
	}
	tr.write = func(string, []byte) error { return os.ErrPermission }
	claims, err := tr.Revoke("tab-2")
	if !errors.Is(err, os.ErrPermission) || claims == nil || len(claims.Revocations) != 2 {
		t.Errorf("with a full disk: %+v, %v", claims, err)
	}
	if d, _ := tr.Device("tab-2"); !d.Revoked {
		t.Error("a revocation that cannot be written down does not hold at all")
	}
}
