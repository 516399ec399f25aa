package agent_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

func renew(t testing.TB, d *agent.Device, why string) agent.Renewal {
	t.Helper()
	r, err := d.Renew(why)
	if err != nil {
		t.Fatalf("Renew: %v", err)
	}
	return r
}

// checked holds that check finds nothing wrong.
func checked(t testing.TB, dir string) agent.CheckReport {
	t.Helper()
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK {
		t.Fatalf("Check: %+v, %v", report.Problems, err)
	}
	return report
}

// A device renews its key with and without a network, and each of its records is sealed by the key of its place.
func TestRenew(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(3))
	drained(t, c, d)
	first := renew(t, d, "a day out of our hands")
	if first.Seq != 6 {
		t.Errorf("it is record %d", first.Seq)
	}
	record(t, d, visit(2))
	second := renew(t, d, "")
	third := renew(t, d, strings.Repeat("a long reason, which becomes evidence; ", 9))
	if third.Seq != second.Seq+1 || string(second.Key) == string(third.Key) {
		t.Errorf("%+v, then %+v", second, third)
	}
	record(t, d, visit(1))
	drained(t, c, d)
	c.with(func(k *copied) {
		if !k.seal.Equal(third.Key) || k.pushes != 5 {
			t.Errorf("%d pushes, and the last key is not the third", k.pushes)
		}
	})
	checked(t, dir)
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d = opened(t, dir, config())
	record(t, d, visit(1))
	renew(t, d, "")
	record(t, d, visit(1))
	drained(t, c, d)
	checked(t, dir)
	info, err := filepath.Glob(filepath.Join(dir, "keys", "seal*.pem"))
	if err != nil || len(info) != 5 {
		t.Errorf("keys: %v, %v", info, err)
	}
	for _, path := range info {
		if stat, err := os.Stat(path); err != nil || stat.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", path, stat.Mode(), err)
		}
	}
}

// Nobody but Renew writes a renewal: whoever could record one would leave the device without its key.
func TestRenewalIsNotRecorded(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	line := `{"kind":"device.renewed","body":{"device":"tab-1","keys":[{"use":"sealing","key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="}]}}`
	if _, err := d.Record(t.Context(), strings.NewReader(line)); err == nil || !strings.Contains(err.Error(), "ullage-agent renew") {
		t.Errorf("Record: %v", err)
	}
	if s := status(t, d); s.Records != 0 {
		t.Errorf("%d records", s.Records)
	}
}

// Each request goes wrong in each way while a renewal is on its way, with and without a restart.
func TestRenewWithFaults(t *testing.T) {
	for _, what := range []fault{lost, unsaid, cutAfter, isBusy} {
		for n := 1; n <= 6; n++ {
			for _, restart := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s at %d, restart %v", what, n, restart), func(t *testing.T) {
					t.Parallel()
					c := newCentre(t)
					dir := enrolled(t, c)
					d, err := agent.Open(t.Context(), dir, config())
					if err != nil {
						t.Fatal(err)
					}
					defer func() { d.Close() }()
					record(t, d, visit(2))
					renew(t, d, "")
					renew(t, d, "")
					record(t, d, visit(1))
					c.failing(func(i int, _ wire.Verb) fault {
						if i == n {
							return what
						}
						return fine
					})
					if restart {
						ctx, cancel := context.WithCancel(t.Context())
						d.Sync(ctx, func(s agent.Status) {
							c.mu.Lock()
							defer c.mu.Unlock()
							if c.asked >= n {
								cancel()
							}
						})
						cancel()
						if err := d.Close(); err != nil {
							t.Fatal(err)
						}
						if d, err = agent.Open(t.Context(), dir, config()); err != nil {
							t.Fatal(err)
						}
					}
					drained(t, c, d)
					record(t, d, visit(1))
					drained(t, c, d)
					checked(t, dir)
				})
			}
		}
	}
}

// A renewal can be cut short at every step, and always leaves a device that can seal what it has chained.
func TestRenewCutShort(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(1))
	renewed := filepath.Join(dir, "keys", "renewed.json")
	before, err := os.ReadFile(renewed)
	if err != nil {
		t.Fatal(err)
	}
	first := renew(t, d, "")
	record(t, d, visit(1))
	d.Close()

	// Behind the record: what is written down besides is old, or was never there.
	for name, state := range map[string]func() error{
		"old":  func() error { return os.WriteFile(renewed, before, 0o600) },
		"none": func() error { return os.Remove(renewed) },
	} {
		if err := state(); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		checked(t, dir)
		d = opened(t, dir, config())
		record(t, d, visit(1))
		d.Close()
		checked(t, dir)
	}

	// Before the record: the key is there, and nothing names it. The next renewal takes it.
	keys := func() []string {
		all, err := filepath.Glob(filepath.Join(dir, "keys", "seal-*.pem"))
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	other := enrolled(t, newCentre(t))
	renewedOther := opened(t, other, config())
	spare := renew(t, renewedOther, "")
	renewedOther.Close()
	copyKey(t, renewedKey(t, other), dir)
	d = opened(t, dir, config())
	record(t, d, visit(1))
	second := renew(t, d, "")
	if !second.Key.Equal(spare.Key) || len(keys()) != 2 {
		t.Errorf("the key that was left is not taken up: %v", keys())
	}
	record(t, d, visit(1))
	drained(t, c, d)
	checked(t, dir)
	c.with(func(k *copied) {
		if !k.seal.Equal(second.Key) || k.seal.Equal(first.Key) {
			t.Error("the centre has another key")
		}
	})
}

// copyKey puts a file of keys into the folder of a device.
func copyKey(t testing.TB, path, dir string) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "keys", filepath.Base(path)), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Without the key that its chain names, a device writes nothing, and says what is missing.
func TestLostKey(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(1))
	renew(t, d, "")
	d.Close()
	made := renewedKey(t, dir)
	if err := os.Rename(made, made+".away"); err != nil {
		t.Fatal(err)
	}
	if _, err := agent.Open(t.Context(), dir, config()); !errors.Is(err, agent.ErrKeyLost) {
		t.Errorf("Open: %v", err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || report.OK || len(report.Problems) != 1 || !strings.Contains(report.Problems[0].Do, "folder keys") {
		t.Errorf("Check: %+v, %v", report, err)
	}
	if err := os.Rename(made+".away", made); err != nil {
		t.Fatal(err)
	}
	drained(t, c, opened(t, dir, config()))
}

// check finds a seal by a key that is not the one of its place, and a list of keys that the chain does not bear out.
func TestCheckJudgesByPlace(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(1))
	renew(t, d, "")
	record(t, d, visit(1))
	d.Close()
	renewed := filepath.Join(dir, "keys", "renewed.json")
	b, err := os.ReadFile(renewed)
	if err != nil {
		t.Fatal(err)
	}
	moved := strings.Replace(string(b), `"after": 4`, `"after": 2`, 1)
	if moved == string(b) {
		t.Fatalf("%s", b)
	}
	if err := os.WriteFile(renewed, []byte(moved), 0o600); err != nil {
		t.Fatal(err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || len(report.Problems) < 2 { // the list, and the seals of records 3 and 4
		t.Errorf("Check: %+v, %v", report, err)
	}
}

// A whole folder that is put back from before a renewal cannot go on: the old key counts no more.
func TestFolderFromBeforeRenewal(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(1))
	drained(t, c, d)
	d.Close()
	old, whole := filepath.Join(t.TempDir(), "old"), filepath.Join(t.TempDir(), "whole")
	for _, to := range []string{old, whole} {
		if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
			t.Fatal(err)
		}
	}
	d = opened(t, dir, config())
	renew(t, d, "")
	record(t, d, visit(1))
	drained(t, c, d)
	d.Close()

	back := opened(t, old, config())
	record(t, back, visit(1))
	var stop *agent.Stop
	if _, err := back.Sync(t.Context(), nil); !errors.As(err, &stop) {
		t.Errorf("Sync: %v", err)
	}
	var before events.Seq
	c.with(func(k *copied) { before = k.seq() })
	if before != 7 {
		t.Errorf("the centre has %d records", before)
	}
	// With its keys it can: it fetches back what it lacks, the renewal with it.
	copyKey(t, renewedKey(t, dir), whole)
	copyKey(t, filepath.Join(dir, "keys", "renewed.json"), whole)
	back = opened(t, whole, config())
	drained(t, c, back)
	record(t, back, visit(1))
	drained(t, c, back)
	checked(t, whole)
}

// renewedKey is the file of the one key that a device was renewed to.
func renewedKey(t testing.TB, dir string) string {
	t.Helper()
	made, err := filepath.Glob(filepath.Join(dir, "keys", "seal-*.pem"))
	if err != nil || len(made) != 1 {
		t.Fatal(made, err)
	}
	return made[0]
}
