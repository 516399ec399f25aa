package trust

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nkeys"

	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

func decodeUser(conn string) ([]byte, error) {
	return nkeys.Decode(nkeys.PrefixByteUser, []byte(conn))
}

// snapshot copies the folder, as a power cut would leave it.
func snapshot(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "d")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// The power is cut before and after each thing that an enrolment does; the device, which knows nothing of it, asks
// again. It gets in, nobody else does, and everybody who was enrolled has been told of.
func TestCrashBetweenSteps(t *testing.T) {
	type cut struct {
		step string
		dir  string
		told bool
	}
	var cuts []cut
	var tr *Trust
	told := false
	dir := t.TempDir()
	shot := func(step string) { cuts = append(cuts, cut{step, snapshot(t, dir), told}) }
	tr = open(t, Config{Dir: dir, OnEnrolled: func(Device) error {
		shot("before the hook wrote it down")
		told = true
		shot("after the hook wrote it down")
		return nil
	}})
	n := 0
	tr.write = func(path string, data []byte) error {
		n++
		shot(fmt.Sprintf("before write %d, of %s", n, filepath.Base(path)))
		half := filepath.Join(filepath.Dir(path), ".new-"+filepath.Base(path)+"-1")
		put(t, half, data[:len(data)/2])
		shot(fmt.Sprintf("within write %d", n))
		if err := os.Remove(half); err != nil {
			t.Fatal(err)
		}
		err := disk.WriteFile(path, data)
		shot(fmt.Sprintf("after write %d", n))
		return err
	}
	tab, other := newTablet(t), newTablet(t)
	code := mustCode(t, tr, "tab-1")
	mustRedeem(t, tr, tab.request(code))
	if n != 3 || len(cuts) != 11 {
		t.Fatalf("%d writes, %d cuts", n, len(cuts))
	}
	for i, c := range cuts {
		told := c.told
		tr, err := Open(Config{Dir: c.dir, OnEnrolled: func(Device) error { told = true; return nil }})
		if err != nil {
			t.Errorf("%s: %v", c.step, err)
			continue
		}
		if _, ok := tr.Device("tab-1"); ok && i < len(cuts)-1 {
			t.Errorf("%s: enrolled before everything was done", c.step)
		}
		_, err = tr.Redeem(tab.request(code))
		if i < 2 { // the code was not given out yet
			if !errors.Is(err, ErrCode) {
				t.Errorf("%s: %v", c.step, err)
			}
		} else if d, ok := tr.Device("tab-1"); err != nil || !ok || !d.Key.Equal(tab.seal) || !told {
			t.Errorf("%s: %v, %+v, told %v", c.step, err, d, told)
		}
		if _, err := tr.Redeem(other.request(code)); !errors.Is(err, ErrCode) {
			t.Errorf("%s: with other keys: %v", c.step, err)
		}
		tr.Close()
	}
}

// Once a device may have been written down under its name, nobody else comes in by its code, and nobody gets its name.
func TestPendingStaysBound(t *testing.T) {
	clk := newClock()
	var half string
	dir := t.TempDir()
	tr := open(t, Config{Dir: dir, Now: clk.now, OnEnrolled: func(Device) error { half = snapshot(t, dir); return nil }})
	tab, other := newTablet(t), newTablet(t)
	code := mustCode(t, tr, "tab-1")
	mustRedeem(t, tr, tab.request(code))

	fail := errors.New("no")
	tr = open(t, Config{Dir: half, Now: clk.now, OnEnrolled: func(Device) error { return fail }})
	if n := len(tr.Devices()); n != 1 {
		t.Errorf("%d devices", n)
	}
	if _, err := tr.Revoke("tab-1"); !errors.Is(err, ErrDevice) {
		t.Errorf("revoking nobody: %v", err)
	}
	if _, err := tr.Redeem(other.request(code)); !errors.Is(err, ErrCode) {
		t.Errorf("other keys: %v", err)
	}
	if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, ErrHook) {
		t.Errorf("the hook refuses: %v", err)
	}
	if _, err := tr.Redeem(other.request(code)); !errors.Is(err, ErrCode) {
		t.Errorf("other keys after the hook refused: %v", err)
	}
	clk.advance(CodeLife)
	if _, err := tr.NewCode("tab-1", address); !errors.Is(err, ErrName) {
		t.Errorf("the name once the code ran out: %v", err)
	}
}

// Each write fails, once without and once with effect; the same is then asked again, by the same Trust and by the next.
func TestFailedWrites(t *testing.T) {
	for step := 1; step <= 3; step++ {
		for _, stored := range []bool{false, true} {
			for _, reopen := range []bool{false, true} {
				t.Run(fmt.Sprintf("write %d, stored %v, reopen %v", step, stored, reopen), func(t *testing.T) {
					cfg := Config{Dir: t.TempDir(), OnEnrolled: func(Device) error { return nil }}
					tr := open(t, cfg)
					full := errors.New("the disk is full")
					n := 0
					tr.write = func(path string, data []byte) error {
						if n++; n != step {
							return disk.WriteFile(path, data)
						}
						if stored {
							if err := disk.WriteFile(path, data); err != nil {
								t.Fatal(err)
							}
						}
						return full
					}
					tab := newTablet(t)
					code, err := tr.NewCode("tab-1", address)
					if (step == 1) != errors.Is(err, full) {
						t.Fatal(err)
					}
					if err == nil {
						if _, err := tr.Redeem(tab.request(code)); !errors.Is(err, full) {
							t.Fatal(err)
						}
						if _, ok := tr.Device("tab-1"); ok {
							t.Error("enrolled without being written down")
						}
					}
					if reopen {
						tr.Close()
						tr = open(t, cfg)
					}
					finish(t, tr, code, tab, step == 1, stored && reopen)
				})
			}
		}
	}
}

// finish enrols the device after the failure, with a new code if the first was never given out.
func finish(t *testing.T, tr *Trust, code wire.Code, tab tablet, lost, waits bool) {
	t.Helper()
	if lost {
		var err error
		if code, err = tr.NewCode("tab-1", address); waits != errors.Is(err, ErrName) {
			t.Fatalf("a second code: %v", err)
		}
		if waits { // the first is on the disk, though nobody has it; it runs out
			return
		}
	}
	if a := mustRedeem(t, tr, tab.request(code)); a.Device != "tab-1" {
		t.Errorf("got %+v", a)
	}
	if d, ok := tr.Device("tab-1"); !ok || !d.Key.Equal(tab.seal) {
		t.Errorf("%+v, %v", d, ok)
	}
}
