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

// TestUpToTheHole: records that were never sent are damaged on a device's disk, and then the centre loses all that it had.
// What lies before the damage is sent all the same, and the device says what is in the way of the rest.
func TestUpToTheHole(t *testing.T) {
	w := &world{cfg: Config{Devices: 1, Machines: 3}, rng: rand.New(rand.NewPCG(1, 1)), now: start, dir: t.TempDir(), tally: map[Fault]*Count{}, told: newDigest(), calm: true}
	w.centre = newCentre(w)
	if err := w.centre.start(); err != nil {
		t.Fatal(err)
	}
	defer w.end()
	d := w.add("tab-1")
	w.run(w.now.Add(time.Hour))
	note := func(key string) {
		if !d.record(map[string]any{"kind": "staff.signed-on", "by": "T1", "key": key, "body": map[string]any{"how": "badge"}}) {
			t.Fatalf("%s is not kept: %v", key, w.broken)
		}
	}
	talk := func() {
		d.online = true
		d.converse(nil)
		w.run(w.now.Add(time.Hour))
	}
	for i := range 20 {
		note(fmt.Sprintf("sent-%02d", i))
	}
	talk()
	for i := range 20 {
		note(fmt.Sprintf("kept-%02d", i))
	}
	before := 0
	for r := range w.centre.acked {
		if r.device == "tab-1" {
			before++
		}
	}
	d.end()
	for _, name := range d.disk.Names() {
		if b := d.disk.Bytes(name); strings.HasSuffix(name, ".seg") {
			if at := bytes.Index(b, []byte("kept-07")); at > 0 {
				d.disk.Flip(name, at, 1)
			}
		}
	}
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
	d.begin()
	talk()
	talk()
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
