package sim

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ullage/agent"
	"ullage/agent/journal"
	"ullage/agent/journal/disk/frail"
)

// device is one tablet: a folder and a disk, a clock, and whoever works with it. The journal stands on the frail disk; the
// small files beside it stand in the folder, and are taken to be written whole or not at all.
type device struct {
	w    *world
	name string
	dir  string
	disk *frail.Disk
	code string // of its enrolment
	dev  *agent.Device

	skew time.Duration // of its clock now
	rate float64       // by which it runs wrong
	set  time.Time     // when skew was right

	off    bool // nobody works with it, and it is not switched on
	online bool // it has a signal
	lied   bool // its disk has lied, so that what it kept may be gone
	full   bool
	stuck  bool // records that nobody else has are damaged on its disk, and it says so

	task  *task
	busy  bool // a conversation is under way
	lines []*line
	n     int // counts what it writes
	kept  map[record]bool
}

func newDevice(w *world, name string) *device {
	return &device{w: w, name: name, dir: filepath.Join(w.dir, name), disk: frail.New(), set: w.now, kept: map[record]bool{}}
}

// clock is the device's, as wrong as it is.
func (d *device) clock() time.Time {
	passed := d.w.now.Sub(d.set)
	return d.w.now.Add(d.skew + time.Duration(float64(passed)*d.rate)).In(time.FixedZone("", 3600))
}

// setClock makes the clock wrong from now on.
func (d *device) setClock(skew time.Duration, rate float64) {
	d.skew, d.rate, d.set = skew, rate, d.w.now
}

func (d *device) config() agent.Config {
	return agent.Config{Now: d.clock, Random: d.w.fill, Network: &network{d.w, d}, Disk: d.disk, Log: d.w.centre.log}
}

// begin switches the device on. A damaged journal is mended as far as it goes; what is beyond that is told.
func (d *device) begin() {
	if d.dev != nil {
		return
	}
	dev, err := agent.Open(context.Background(), d.dir, d.config())
	switch {
	case errors.Is(err, agent.ErrNotEnrolled), d.power(err):
		return
	case err != nil:
		d.w.tell("%s does not open: %v", d.name, err)
		if d.w.calm {
			d.w.fail("%s does not open: %w", d.name, err)
		}
		return
	}
	d.dev = dev
}

// end switches it off.
func (d *device) end() {
	for _, l := range d.lines {
		l.sever()
	}
	d.lines = nil
	if d.dev == nil {
		return
	}
	if err := d.dev.Close(); err != nil && !d.power(err) && !errors.Is(err, journal.ErrStopped) {
		d.w.fail("%s does not close: %w", d.name, err)
	}
	d.dev = nil
}

// power sees to a disk without power: it is what the cut has left of it, and the device begins again.
func (d *device) power(err error) bool {
	if !d.disk.Dead() {
		return errors.Is(err, frail.ErrPower)
	}
	for _, l := range d.lines {
		l.sever()
	}
	d.lines = nil
	if d.dev != nil {
		d.dev.Close()
		d.dev = nil
	}
	lying := d.disk.Lying
	d.disk = d.disk.Cut(d.w.rng)
	d.disk.Lying = lying
	d.lied = d.lied || lying
	d.w.tell("%s has lost power", d.name)
	return true
}

// enrol makes the device known to the centre, however often that takes.
func (d *device) enrol() {
	d.busy, d.online = true, true
	d.task = d.w.spawn(func(t *task) {
		defer func() { d.busy = false }()
		d.task = t
		for try := 0; try < 20; try++ {
			if d.w.chance(d.w.cfg.Rates.FirstStart) {
				d.w.injected(FirstStart)
				d.disk.Left = d.w.rng.IntN(12)
			}
			_, err := agent.Enrol(context.Background(), d.dir, "https://centre.example:8443", d.code, d.config())
			if err == nil || errors.Is(err, agent.ErrEnrolled) {
				d.disk.Left = -1
				d.w.tell("%s is enrolled", d.name)
				d.begin()
				return
			}
			d.w.tell("%s is not enrolled: %v", d.name, err)
			if !d.power(err) {
				d.disk.Left = -1
			}
			t.sleep(time.Minute)
		}
		d.w.fail("%s cannot be enrolled", d.name)
	})
}

// record keeps lines, and notes what was promised.
func (d *device) record(lines ...map[string]any) bool {
	if d.begin(); d.dev == nil || d.off {
		return false
	}
	var b bytes.Buffer
	out := json.NewEncoder(&b)
	for _, line := range lines {
		if err := out.Encode(line); err != nil {
			d.w.fail("%w", err)
		}
	}
	id := d.dev.ID()
	answers, err := d.dev.Record(context.Background(), &b)
	switch {
	case d.disk.Dead(), errors.Is(err, frail.ErrPower):
		d.power(err)
		return false
	case errors.Is(err, journal.ErrFull):
		d.w.tell("%s: the disk is full", d.name)
		if !d.full {
			d.w.fail("%s says that its disk is full, and it is not", d.name)
		}
		return false
	case errors.Is(err, agent.ErrBehind), errors.Is(err, journal.ErrGap): // what is missing has to come back from the centre first
		d.w.tell("%s: %v", d.name, err)
		return false
	case err != nil:
		d.w.fail("%s does not record: %w", d.name, err)
		return false
	}
	for _, a := range answers {
		d.n++
		d.kept[record{id, a.Seq, a.ID}] = true
	}
	return true
}

// converse has one conversation, unless one is under way; then is called when it is over.
func (d *device) converse(then func(error)) {
	if d.busy || d.off {
		return
	}
	if d.begin(); d.dev == nil {
		return
	}
	d.busy = true
	dev := d.dev
	d.w.spawn(func(t *task) {
		d.task = t
		err := dev.Converse(context.Background())
		var stop *agent.Stop
		d.busy, d.stuck = false, errors.As(err, &stop) && stop.Kind == agent.StopDisk
		for _, l := range d.lines {
			l.cut = true
		}
		d.lines = nil
		if !d.power(err) && err != nil {
			d.w.tell("%s: %v", d.name, err)
		}
		if d.dev == dev && dev.Moved() { // another identity goes on in its folder
			d.end()
			d.begin()
		}
		if then != nil {
			then(err)
		}
	})
}

// call converses, and tries again a few times, as a device does while it has a signal.
func (d *device) call(tries int) {
	d.converse(func(err error) {
		if err != nil && tries > 1 {
			d.w.in(d.w.between(time.Second, 5*time.Minute), func() { d.call(tries - 1) })
		}
	})
}

// visit is a visit to a machine: lines over an hour or two, then perhaps a call.
func (d *device) visit() {
	machine := d.w.rng.IntN(d.w.cfg.Machines)
	site, m := siteOf(machine), machineOf(machine)
	visit := fmt.Sprintf("%s-%d-%d", d.name, d.w.now.Unix(), d.n)
	at := func(kind string, body map[string]any) map[string]any {
		return map[string]any{"kind": kind, "site": site, "machine": m, "visit": visit, "by": "T1", "body": body}
	}
	litres := func(least, most int) float64 { return float64(10*least+d.w.rng.IntN(10*(most-least)+1)) / 10 }
	reading := func(moment string, l float64) map[string]any {
		return at("reading.taken", map[string]any{"quantity": "volume", "value": l, "unit": "L", "u": 1, "method": "dip", "moment": moment,
			"state": map[string]any{"pump": "off", "air": "off", "basket": "empty", "drained_min": 8}})
	}
	opened := at("visit.opened", map[string]any{"reason": "planned"})
	delete(opened, "machine")
	closed := at("visit.closed", map[string]any{"outcome": "complete"})
	delete(closed, "machine")
	steps := [][]map[string]any{
		{opened, at("work.started", map[string]any{"found_by": "plate"})},
		{reading("arrival", litres(110, 140))},
		{at("fluid.removed", map[string]any{"from": "bath", "to": "drain", "what": "sludge", "volume": litres(1, 9), "u": 0.25})},
		{at("fluid.added", map[string]any{"from": "tap", "to": "bath", "product": "water", "volume": litres(5, 30), "u": 0.5})},
		{reading("departure", litres(120, 140)), at("work.ended", map[string]any{"outcome": "complete"})},
		{closed},
	}
	if d.w.rng.IntN(6) == 0 {
		steps[3] = append(steps[3], at("part.swapped", map[string]any{"position": "filter", "out": map[string]any{"part": "F-50", "state": "worn"}, "in": map[string]any{"part": "F-50", "lot": "L9"}, "why": "due"}))
	}
	wait := time.Duration(0)
	for _, step := range steps {
		d.w.in(wait, func() { d.record(step...) })
		wait += d.w.between(2*time.Minute, 15*time.Minute)
	}
	d.w.in(wait, func() {
		if d.online = !d.off && d.w.rng.IntN(2) == 0; d.online {
			d.call(3)
		}
	})
}

// day is a working day.
func (d *device) day() {
	if d.off {
		return
	}
	d.online = false
	for i := range 2 + d.w.rng.IntN(2) {
		d.w.in(time.Duration(i)*3*time.Hour+d.w.between(0, time.Hour), d.visit)
	}
	d.w.in(11*time.Hour+d.w.between(0, 2*time.Hour), func() { // at the depot
		d.online = !d.off
		d.call(6)
	})
}

// image is what a folder and a disk are at one moment.
type image struct {
	dir  string
	disk *frail.Disk
	code string
}

// image takes one; the device is switched off for it.
func (d *device) image(name string) (*image, error) {
	d.end()
	i := &image{filepath.Join(d.w.dir, name), d.disk.Clone(), d.code}
	return i, copyAll(i.dir, d.dir)
}

// put puts an image back in the device's place.
func (d *device) put(i *image) error {
	d.end()
	if err := os.RemoveAll(d.dir); err != nil {
		return err
	}
	d.disk = i.disk.Clone()
	return copyAll(d.dir, i.dir)
}

// segment is one of the journal's files that hold records; empty where there is none.
func (d *device) segment() string {
	var all []string
	for _, name := range d.disk.Names() {
		if strings.HasSuffix(name, ".seg") {
			all = append(all, name)
		}
	}
	if len(all) == 0 {
		return ""
	}
	return all[d.w.rng.IntN(len(all))]
}

func siteOf(machine int) string    { return fmt.Sprintf("yard-%d", machine/3+1) }
func machineOf(machine int) string { return fmt.Sprintf("w-%02d", machine+1) }
