package desk_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"ullage/cmd/internal/desk"
	"ullage/syncd"
	whole "ullage/syncd/backup"
)

// backup takes one of the running centre, as the command does.
func (c *centre) backup() []byte {
	c.t.Helper()
	status, _, body := c.do(c.request("GET", "/api/backup", ""))
	if status != 200 {
		c.t.Fatalf("backup: %d %s", status, body)
	}
	return []byte(body)
}

func restored(t *testing.T, b []byte) (dir string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "restored")
	log := &words{}
	cfg := config(dir, log)
	if _, err := syncd.Restore(t.Context(), cfg, bytes.NewReader(b), "", nil); err != nil {
		t.Fatalf("%v\n%s", err, log)
	}
	return dir
}

// A backup of a running centre, taken while devices push: what it had is there, and what came after it comes back from the
// devices; nothing is lost or doubled.
func TestBackupAndRestore(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	devices := map[string]string{}
	for n := range 3 {
		name := fmt.Sprintf("tab-%d", n+1)
		devices[name] = c.enrolOurs(name)
		d := c.reopen(devices[name])
		keep(t, d, arrive, fmt.Sprintf(dip, 100-n))
		synced(t, d)
		d.Close()
	}
	var pushing sync.WaitGroup
	for _, name := range slices.Sorted(maps.Keys(devices)) {
		d := c.reopen(devices[name])
		pushing.Go(func() {
			defer d.Close()
			for n := range 12 {
				if _, err := d.Record(t.Context(), strings.NewReader(strings.ReplaceAll(fmt.Sprintf(added, n+5), `"visit":"v",`, ""))); err != nil {
					t.Error(err)
				}
				if _, err := d.Sync(t.Context(), nil); err != nil {
					t.Error(err)
				}
			}
		})
	}
	var taken [][]byte
	for range 3 {
		taken = append(taken, c.backup())
	}
	pushing.Wait()
	c.record(`{"kind":"note.written","by":"O1","body":{"text":"after the backup, and before the last one"}}`)
	taken = append(taken, c.backup())
	before := c.known(t, false)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	for n, b := range taken {
		begun := false
		has, err := whole.Read(bytes.NewReader(b), whole.Visitor{
			Message: func(whole.Message) error { begun = true; return nil },
			File: func(path string) (io.WriteCloser, error) { // what must have all that is in the streams of it comes behind them
				late := strings.HasPrefix(path, "keys/devices/") || strings.HasPrefix(path, "office/") || strings.HasPrefix(path, "access/")
				if late != begun {
					t.Errorf("backup %d: %s stands behind the streams: %v", n, path, begun)
				}
				return unwritten{}, nil
			},
		})
		if err != nil || has.Messages["RECORDS"] == 0 || has.Log == 0 || has.Files == 0 {
			t.Fatalf("backup %d: %+v, %v", n, has, err)
		}
	}
	// The last has all. Its centre stands where the old one stood, by name and port.
	lose(t, c, "")
	dir := restored(t, taken[3])
	if err := os.Rename(dir, c.dir); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	if diff := c.known(t, false).differs(before); diff != "" {
		t.Error(diff)
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	// The second lacks what the devices have sent since, but not what the office has: that was recorded after it.
	lose(t, c, "")
	if err := os.Rename(restored(t, taken[1]), c.dir); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	healed(t, c, devices)
	after := c.known(t, false)
	missing := 0
	for id, r := range before.records {
		switch {
		case after.records[id] == r:
		case strings.Contains(r, `"device":"office-1"`) && after.records[id] == "":
			missing++ // nobody else holds it: there is no second place yet
		default:
			t.Errorf("record %s is\n%s, and was\n%s", id, after.records[id], r)
		}
	}
	if missing != 1 {
		t.Errorf("%d records of the office are gone, and one was recorded after the backup", missing)
	}
}

type unwritten struct{}

func (unwritten) Write(p []byte) (int, error) { return len(p), nil }
func (unwritten) Close() error                { return nil }

// Whatever happens to a backup, it is refused before anything of it is written.
func TestDamagedBackup(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	full := c.backup()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "restored")
	try := func(b []byte) error {
		_, err := syncd.Restore(t.Context(), config(dir, &words{}), bytes.NewReader(b), "", nil)
		if _, e := os.Lstat(dir); !errors.Is(e, os.ErrNotExist) {
			t.Fatalf("something was written: %v", e)
		}
		return err
	}
	for n := 0; n < len(full); n += 1 + len(full)/97 {
		flipped := bytes.Clone(full)
		flipped[n] ^= 0x04
		for what, b := range map[string][]byte{"flipped": flipped, "cut off": full[:n]} {
			if err := try(b); !errors.Is(err, whole.ErrForm) || !strings.Contains(err.Error(), "at byte") {
				t.Fatalf("%s at %d: %v", what, n, err)
			}
		}
	}
	if err := try(append(bytes.Clone(full), 0)); !errors.Is(err, whole.ErrForm) {
		t.Errorf("with more behind it: %v", err)
	}
	if _, err := syncd.Restore(t.Context(), syncd.Config{Dir: c.dir, OpenDesk: desk.Opener(nil)}, bytes.NewReader(full), "", nil); !errors.Is(err, whole.ErrTarget) {
		t.Errorf("over a centre: %v", err)
	}
}

// A backup has every key of the centre: no token but the folder's own is given one.
func TestBackupIsLocal(t *testing.T) {
	c := newCentre(t)
	made := c.makeToken(`{"name":"billing","role":"admin","days":1}`)
	if status, body := c.ask(made.Token, "GET", "/api/backup", ""); status != 403 || !strings.Contains(body, "on its own machine") {
		t.Errorf("%d %.200s", status, body)
	}
}
