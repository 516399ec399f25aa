package sim

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"ullage/agent/journal/disk/frail"
)

// draw settles, where the run was given nothing, how bad its links are and which faults come.
func (w *world) draw() {
	if w.cfg.faults != nil {
		return
	}
	some := func(most float64) float64 {
		if w.rng.IntN(2) == 0 {
			return 0
		}
		return w.rng.Float64() * most
	}
	w.cfg.Rates = Rates{Lost: some(0.2), Late: some(0.1), Doubled: some(0.1), Cut: some(0.05), Unsaid: some(0.05), Unstored: some(0.05), FirstStart: some(0.7)}
	w.cfg.faults = []Fault{}
	for _, f := range Faults[slices.Index(Faults, Away):] {
		if f == FirstStart {
			continue
		}
		n := w.rng.IntN(3)
		if severe[f] { // each of them alone is bad enough, and rare
			n = max(0, 1-w.rng.IntN(6))
		}
		for range n {
			w.cfg.faults = append(w.cfg.faults, f)
		}
	}
}

// severe are the faults by which something of a history is lost or doubled.
var severe = map[Fault]bool{
	Lying: true, Restored: true, Cloned: true, BlockLost: true, TailLost: true, LogLost: true, FileLost: true, StreamsLost: true, BackupBack: true, BothLost: true, AllButLog: true,
}

// schedule puts the faults into the days.
func (w *world) schedule() {
	days := w.cfg.Days
	for i, f := range w.cfg.faults {
		w.in(time.Duration(2*24+w.rng.IntN(max(1, (days-5)*24)))*time.Hour+w.between(0, time.Hour), func() { w.strike(f, i) })
	}
}

// someone is one of the devices that are enrolled.
func (w *world) someone() *device { return w.devices[w.rng.IntN(len(w.devices))] }

// strike does a fault; n tells it from others of its kind.
func (w *world) strike(f Fault, n int) {
	d, c := w.someone(), w.centre
	if d.begin(); d.dev == nil || d.busy {
		w.in(10*time.Minute, func() {
			if !w.calm {
				w.strike(f, n)
			}
		})
		return
	}
	w.tell("fault: %s (%s)", f, d.name)
	switch f {
	case Away:
		for _, s := range []*memory{c.records, c.entries, c.aside} {
			s.down = true
		}
		w.in(w.between(time.Minute, 4*time.Hour), func() {
			for _, s := range []*memory{w.centre.records, w.centre.entries, w.centre.aside} {
				s.down = false
			}
		})
	case Off:
		d.end()
		d.off, d.online = true, false
		w.in(w.between(7*24*time.Hour, 40*24*time.Hour), func() { d.off = false })
	case Killed:
		d.disk.Left = w.rng.IntN(10)
		w.in(w.between(time.Minute, 5*time.Hour), func() {
			if d.disk.Dead() {
				d.revive()
			}
			d.disk.Left = -1
		})
	case Power:
		d.disk.Left = w.rng.IntN(40)
	case Full:
		d.full = true
		d.disk.Limit(int64(w.rng.IntN(3000)))
		w.in(w.between(time.Hour, 50*time.Hour), func() {
			d.full = false
			d.disk.Limit(-1)
		})
	case Flipped:
		if s, err := d.dev.Status(); err != nil || s.Waiting > 0 {
			w.tell("what waits is nowhere else, and is spared")
			return
		}
		d.end()
		name := d.segment()
		if b := d.disk.Bytes(name); len(b) > 0 {
			d.disk.Flip(name, w.rng.IntN(len(b)), byte(1+w.rng.IntN(255)))
		}
		d.begin()
	case Lying:
		d.disk.Lying = true
		w.in(w.between(time.Hour, 30*time.Hour), func() {
			if w.calm {
				return
			}
			d.disk.Left = 0
			d.lied = true
		})
		w.in(31*time.Hour, func() { d.disk.Lying = false })
	case Clock:
		d.setClock(time.Duration(w.rng.IntN(20*365)-10*365)*24*time.Hour, 0)
		w.in(w.between(time.Hour, 30*24*time.Hour), func() { d.setClock(0, 0) })
	case Rate:
		d.setClock(d.skew, w.rng.Float64()*0.02-0.01)
	case Restored:
		w.restoreFolder(d, n)
	case Cloned:
		w.clone(d, n)
	default:
		w.strikeCentre(f, n)
	}
	w.injected(f)
}

// restoreFolder takes an image now, and puts it back some days later.
func (w *world) restoreFolder(d *device, n int) {
	i, err := d.image(fmt.Sprintf("image-%d", n))
	if err != nil {
		w.fail("%w", err)
		return
	}
	d.begin()
	var back func()
	back = func() {
		if d.busy {
			w.in(time.Minute, back)
			return
		}
		if w.calm {
			return
		}
		if err := d.put(i); err != nil {
			w.fail("%w", err)
			return
		}
		w.tell("%s is what it was some days ago", d.name)
		d.forget()
		d.begin()
	}
	w.in(w.between(time.Hour, 10*24*time.Hour), back)
}

// clone makes a second device of a copy of the folder.
func (w *world) clone(d *device, n int) {
	i, err := d.image(fmt.Sprintf("image-%d", n))
	if err != nil {
		w.fail("%w", err)
		return
	}
	d.begin()
	twin := newDevice(w, fmt.Sprintf("%s-copy-%d", d.name, n))
	twin.disk = renamed(i.disk, d.dir, twin.dir)
	if err := copyAll(twin.dir, i.dir); err != nil {
		w.fail("%w", err)
		return
	}
	w.devices = append(w.devices, twin)
	twin.begin()
}

// renamed is a disk whose folder has another name.
func renamed(disk *frail.Disk, from, to string) *frail.Disk {
	next := frail.New()
	for _, name := range disk.Names() {
		next.Set(to+strings.TrimPrefix(name, from), disk.Bytes(name))
	}
	return next
}

// forget drops what a device had kept and the centre has not: it went with the folder, or the disk had lied.
func (d *device) forget() {
	for r := range d.kept {
		if !d.w.centre.acked[r] {
			delete(d.kept, r)
			d.w.gone++
		}
	}
}

// revive is the death of a process: the next one finds all that was written, synced or not.
func (d *device) revive() {
	for _, l := range d.lines {
		l.sever()
	}
	d.lines = nil
	if d.dev != nil {
		d.dev.Close()
		d.dev = nil
	}
	d.disk.Revive()
	d.begin()
}

func (w *world) strikeCentre(f Fault, n int) {
	c := w.centre
	again := func(change func() error) {
		if !c.up {
			return
		}
		c.noted = c.store.Place()
		if err := c.stop(); err != nil {
			w.tell("the centre ends: %v", err)
		}
		if err := change(); err != nil {
			w.fail("%w", err)
			return
		}
		w.in(w.between(time.Second, time.Hour), func() { w.startCentre() })
	}
	last := func() uint64 { return uint64(len(c.records.kept)) }
	damage := func(from, to uint64) {
		w.robbed = w.robbed || c.noted.Created == c.records.created && from <= c.noted.Seq
		c.records.damage(from, to)
	}
	switch f {
	case CentreKilled:
		again(func() error { return nil })
	case ModelLost:
		again(func() error { return os.RemoveAll(filepath.Join(c.dir, "model")) })
	case BlockLost, BothLost:
		again(func() error {
			if n := last(); n > 20 {
				from := 1 + uint64(w.rng.IntN(int(n-15)))
				damage(from, min(n-5, from+uint64(w.rng.IntN(20))))
			}
			if f == BothLost {
				return os.RemoveAll(filepath.Join(c.dir, "model"))
			}
			return nil
		})
	case TailLost:
		again(func() error {
			if n := last(); n > 20 {
				damage(n-uint64(w.rng.IntN(15)), n)
			}
			return nil
		})
	case LogLost:
		again(func() error { c.entries = newMemory(w, c.entries.name); return nil })
	case FileLost:
		again(func() error { return os.RemoveAll(filepath.Join(c.dir, "log")) })
	case StreamsLost, AllButLog:
		again(func() error {
			if f == AllButLog {
				if err := os.RemoveAll(filepath.Join(c.dir, "model")); err != nil {
					return err
				}
			}
			w.robbed = w.robbed || !c.noted.IsZero()
			c.records, c.entries, c.aside = newMemory(w, c.records.name), newMemory(w, c.entries.name), newMemory(w, c.aside.name)
			return nil
		})
	case BackupBack:
		b, err := c.backup(n)
		if err != nil {
			w.fail("%w", err)
			return
		}
		w.in(w.between(time.Hour, 8*24*time.Hour), func() {
			if !w.calm {
				again(func() error { w.tell("an old backup is put back"); return c.restore(b) })
			}
		})
	}
}

// startCentre starts it, again and again while its broker is away.
func (w *world) startCentre() {
	if w.centre.up || w.calm {
		return
	}
	if err := w.centre.start(); err != nil {
		w.tell("the centre does not start: %v", err)
		w.in(time.Minute, w.startCentre)
		return
	}
	if err := w.centre.scrub(); err != nil {
		w.tell("the centre reads its streams: %v", err)
	}
	w.centre.tick()
}
