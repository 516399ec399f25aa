package sim

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/events"
)

// calmly is a company of one device, in which nothing breaks by itself.
func calmly(t *testing.T) (*world, *device) {
	t.Helper()
	w := &world{cfg: Config{Devices: 1, Machines: 3}, rng: rand.New(rand.NewPCG(1, 1)), now: start, dir: t.TempDir(), tally: map[Fault]*Count{}, told: newDigest(), calm: true}
	w.centre = newCentre(w)
	if err := w.centre.start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := w.end(); err != nil {
			t.Error(err)
		}
	})
	d := w.add("tab-1")
	w.run(w.now.Add(time.Hour))
	return w, d
}

// note records something that can be found on the disk by its key.
func note(t *testing.T, d *device, key string) {
	t.Helper()
	if !d.record(map[string]any{"kind": "staff.signed-on", "by": "T1", "key": key, "body": map[string]any{"how": "badge"}}) {
		t.Fatalf("%s is not kept: %v", key, d.w.broken)
	}
}

func talk(d *device) {
	d.online = true
	d.converse(nil)
	d.w.run(d.w.now.Add(time.Hour))
}

// hurt flips a bit in the record with a key, while the device is off.
func hurt(t *testing.T, d *device, key string) {
	t.Helper()
	d.end()
	defer d.begin()
	for _, name := range d.disk.Names() {
		if at := bytes.Index(d.disk.Bytes(name), []byte(key)); at > 0 && strings.HasSuffix(name, ".seg") {
			d.disk.Flip(name, at, 1)
			return
		}
	}
	t.Fatalf("%s is not on the disk", key)
}

// TestUpToTheHole: records that were never sent are damaged on a device's disk, and then the centre loses all that it had.
// What lies before the damage is sent all the same, and the device says what is in the way of the rest.
func TestUpToTheHole(t *testing.T) {
	w, d := calmly(t)
	for i := range 20 {
		note(t, d, fmt.Sprintf("sent-%02d", i))
	}
	talk(d)
	for i := range 20 {
		note(t, d, fmt.Sprintf("kept-%02d", i))
	}
	before := 0
	for r := range w.centre.acked {
		if r.device == "tab-1" {
			before++
		}
	}
	hurt(t, d, "kept-07")
	if err := w.centre.stop(); err != nil {
		t.Fatal(err)
	}
	for _, s := range []**memory{&w.centre.records, &w.centre.entries, &w.centre.aside} {
		*s = newMemory(w, (*s).name)
	}
	for _, name := range []string{"model", "log"} {
		if err := os.RemoveAll(filepath.Join(w.centre.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.centre.start(); err != nil {
		t.Fatal(err)
	}
	talk(d)
	talk(d)
	if w.broken != nil {
		t.Fatal(w.broken)
	}
	there := map[events.Seq]bool{}
	w.centre.records.records(func(r record) {
		if r.device == "tab-1" {
			there[r.seq] = true
		}
	})
	s, err := d.dev.Status()
	if err != nil {
		t.Fatal(err)
	}
	if !d.stuck || len(s.Alarms) == 0 || !strings.Contains(s.Alarms[0], "damaged on this device's disk") {
		t.Errorf("the device says %q", s.Alarms)
	}
	if len(there) < before+7 || there[s.Head.Seq] {
		t.Errorf("%d records are there; %d had been, and seven more could be sent", len(there), before)
	}
}

// TestForkedAndDamaged: of a copy that writes too, records that were never sent are damaged. It goes on under a name of its own
// all the same.
func TestForkedAndDamaged(t *testing.T) {
	w, d := calmly(t)
	note(t, d, "both")
	talk(d)
	w.clone(d, 1)
	twin := w.devices[1]
	note(t, d, "one")
	talk(d)
	for i := range 20 {
		note(t, twin, fmt.Sprintf("kept-%02d", i))
	}
	hurt(t, twin, "kept-07")
	talk(twin)
	talk(twin)
	w.centre.letIn()
	note(t, twin, "after")
	talk(twin)
	talk(twin)
	if w.broken != nil {
		t.Fatal(w.broken)
	}
	if s, err := twin.dev.Status(); err != nil || twin.dev.ID() == "tab-1" || s.Waiting > 0 || len(s.Before) != 1 {
		t.Errorf("%+v, %v", s, err)
	}
	if !w.centre.alarms[Forked] {
		t.Error("there was no alarm")
	}
}

// TestFrozenIsHealed: what RECORDS loses of a device that has forked comes back from that device too.
func TestFrozenIsHealed(t *testing.T) {
	w, d := calmly(t)
	for i := range 10 {
		note(t, d, fmt.Sprintf("both-%02d", i))
		talk(d)
	}
	w.clone(d, 1)
	twin := w.devices[1]
	note(t, d, "one")
	talk(d)
	note(t, twin, "other")
	talk(twin)
	talk(d)
	c := w.centre
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	n := uint64(len(c.records.kept))
	c.records.damage(n-8, n-5)
	if err := os.RemoveAll(filepath.Join(c.dir, "model")); err != nil {
		t.Fatal(err)
	}
	if err := c.start(); err != nil {
		t.Fatal(err)
	}
	c.tick()
	if len(c.missing()) == 0 {
		t.Fatal("nothing is missing")
	}
	talk(d)
	talk(twin)
	c.tick()
	if w.broken != nil {
		t.Fatal(w.broken)
	}
	if m := c.missing(); len(m) > 0 {
		t.Errorf("missing still: %v", m)
	}
}
