package sim

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"
)

// Fault is something that breaks.
type Fault string

// The faults.
const (
	Lost    Fault = "message lost"
	Late    Fault = "message late, and out of order"
	Doubled Fault = "message doubled"
	Cut     Fault = "connection cut"

	Unsaid   Fault = "broker has stored, and does not say so"
	Unstored Fault = "broker has not stored, and does not say so"
	Away     Fault = "broker away for a while"

	Off        Fault = "device off for weeks"
	Killed     Fault = "device killed"
	Power      Fault = "device's power cut while it writes"
	FirstStart Fault = "battery pulled during the first start"
	Full       Fault = "device's disk full"
	Flipped    Fault = "bit flipped on the device's disk"
	Lying      Fault = "device's disk lies about syncs, then power cut"
	Clock      Fault = "clock set wrong by years"
	Rate       Fault = "clock runs wrong"
	Restored   Fault = "device's folder put back from an older image"
	Cloned     Fault = "device's folder copied, and both write"

	CentreKilled Fault = "centre killed"
	ModelLost    Fault = "read model lost"
	BlockLost    Fault = "block of RECORDS damaged in the midst"
	TailLost     Fault = "last block of RECORDS damaged"
	LogLost      Fault = "stream LOG lost"
	FileLost     Fault = "file of the public log lost"
	StreamsLost  Fault = "all streams lost"
	BackupBack   Fault = "centre restored from an old backup"
	BothLost     Fault = "block of RECORDS damaged, and the read model lost"
	AllButLog    Fault = "all streams and the read model lost"
)

// Faults are all of them, in the order in which they are told.
var Faults = []Fault{
	Lost, Late, Doubled, Cut, Unsaid, Unstored, Away, Off, Killed, Power, FirstStart, Full, Flipped, Lying, Clock, Rate, Restored, Cloned,
	CentreKilled, ModelLost, BlockLost, TailLost, LogLost, FileLost, StreamsLost, BackupBack, BothLost, AllButLog,
}

// Count is how often a fault came.
type Count struct {
	Injected int
}

// Rates are how likely each message, each commit and each first start goes wrong.
type Rates struct {
	Lost, Late, Doubled, Cut, Unsaid, Unstored, FirstStart float64
}

// Config is one run.
type Config struct {
	Seed     uint64
	Devices  int // 3 where it is 0
	Days     int // 60 where it is 0
	Machines int // 9 where it is 0
	Trace    io.Writer

	Rates  Rates
	faults []Fault // that come at some time, drawn from the seed
}

// Result is what came of a run.
type Result struct {
	Seed    uint64
	Years   float64 // of all devices
	Records int     // that the centre has acknowledged
	Named   int     // of those, that are lost and named as lost
	Unknown int     // that are lost with all who had them and with the log that knew of them, of which an alarm tells that it had more
	Gone    int     // records that a device had kept and not sent, when its folder was put back or its disk had lied
	Counts  map[Fault]Count
	Alarms  []Alarm
	Digest  string // of all that happened: the same seed on the same commit has the same
}

// Run has one run. Its error is a promise that was not kept.
func Run(cfg Config) (_ Result, err error) {
	for _, d := range []struct {
		given *int
		or    int
	}{{&cfg.Devices, 3}, {&cfg.Days, 60}, {&cfg.Machines, 9}} {
		if *d.given == 0 {
			*d.given = d.or
		}
	}
	dir, err := os.MkdirTemp(fastest(), "ullage-sim-*")
	if err != nil {
		return Result{}, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	w := &world{cfg: cfg, rng: rand.New(rand.NewPCG(cfg.Seed, 0)), now: start, dir: dir, tally: map[Fault]*Count{}, told: newDigest(), Trace: cfg.Trace}
	w.draw()
	w.centre = newCentre(w)
	if err := w.centre.start(); err != nil {
		return Result{}, err
	}
	defer func() { err = errors.Join(err, w.end()) }()
	w.register()
	for i := range cfg.Devices {
		w.add(fmt.Sprintf("tab-%d", i+1))
	}
	w.everyday()
	w.schedule()
	w.run(start.AddDate(0, 0, cfg.Days))
	w.rest()
	w.check()
	return w.result(), w.broken
}

// fastest is a folder in memory where the system has one: what a power cut does is the frail disk's to know.
func fastest() string {
	if st, err := os.Stat("/dev/shm"); err == nil && st.IsDir() {
		return "/dev/shm"
	}
	return ""
}

func (w *world) end() error {
	w.calm = true
	for _, d := range w.devices {
		d.end()
	}
	return w.centre.stop()
}

// add makes a device and enrols it.
func (w *world) add(name string) *device {
	d := newDevice(w, name)
	w.devices = append(w.devices, d)
	code, err := w.centre.trust.NewCode(name, "https://centre.example:8443")
	if err != nil {
		w.fail("%w", err)
		return d
	}
	d.code = code.String()
	d.enrol()
	return d
}

// register writes down machines and who goes where. Nothing in it is evidence, of which the salt is nobody's to foresee.
func (w *world) register() {
	c := w.centre
	c.record(
		map[string]any{"kind": "class.specified", "by": "O1", "body": map[string]any{"class": "sink", "tasks": []any{}, "wet_l": 0.6}},
		map[string]any{"kind": "part.specified", "by": "O1", "body": map[string]any{"part": "F-50", "life": 42, "unit": "d", "holds_l": 0.4}},
	)
	for m := range w.cfg.Machines {
		c.record(map[string]any{"kind": "machine.entered", "site": siteOf(m), "machine": machineOf(m), "by": "O1", "body": map[string]any{
			"class": "sink", "serial": machineOf(m), "owner": "ours", "fluid": "BF-A", "working_l": 140, "least_l": 100, "mark_l": 140,
			"tanks":     []any{map[string]any{"tank": "bath", "shape": "rectangular", "length_mm": 750, "width_mm": 500, "height_mm": 450}},
			"positions": []string{"filter"}, "open_area_m2": 0.35, "lid": "hinged", "open_h_week": 25, "make_up": "hand", "hour_counter": false,
		}})
	}
	for i := range w.cfg.Devices {
		c.record(map[string]any{"kind": "interest.granted", "by": "O1", "body": map[string]any{"device": fmt.Sprintf("tab-%d", i+1), "sites": []string{siteOf(3 * i % w.cfg.Machines)}}})
	}
}

// everyday are the days of all devices, and what the centre does by itself.
func (w *world) everyday() {
	for day := range w.cfg.Days {
		w.in(time.Duration(day)*24*time.Hour+time.Hour, func() {
			for _, d := range w.devices {
				d.day()
			}
		})
		w.in(time.Duration(day)*24*time.Hour+16*time.Hour, func() {
			if w.centre.up {
				w.centre.letIn()
			}
		})
		for h := range 4 {
			w.in(time.Duration(day)*24*time.Hour+time.Duration(6*h)*time.Hour+5*time.Hour, w.centre.tick)
		}
	}
}

// rest brings all back, and lets them talk until nothing waits.
func (w *world) rest() {
	w.calm = true
	c := w.centre
	for _, s := range []*memory{c.records, c.entries, c.aside} {
		s.down = false
	}
	if !c.up {
		if err := c.start(); err != nil {
			w.fail("the centre does not start any more: %w", err)
			return
		}
	}
	if err := c.scrub(); err != nil {
		w.fail("the centre cannot read its streams: %w", err)
	}
	for _, d := range w.devices {
		d.off, d.online, d.full = false, true, false
		d.disk.Limit(-1)
		d.disk.Lying, d.disk.Left = false, -1
		d.end()
		d.begin()
	}
	w.run(w.now.Add(time.Hour))
	for range 30 {
		c.tick()
		c.letIn()
		for _, d := range w.devices {
			d.online = true
			d.converse(nil)
		}
		w.run(w.now.Add(10 * time.Minute))
		if w.broken != nil {
			return
		}
		if w.quiet() {
			c.tick()
			return
		}
	}
	for _, d := range w.devices {
		if d.dev == nil {
			w.fail("%s does not come to rest: it does not open", d.name)
		} else if s, err := d.dev.Status(); err != nil || s.Waiting > 0 {
			w.fail("%s does not come to rest: %d waiting, %q (%v)", d.name, s.Waiting, s.Alarms, err)
		}
	}
	w.fail("the centre does not come to rest: missing %v", c.missing())
}

// quiet tells whether nothing waits and nothing is missing that anybody could bring.
func (w *world) quiet() bool {
	for _, d := range w.devices {
		if d.busy || d.dev == nil {
			return false
		}
		if s, err := d.dev.Status(); err != nil || s.Waiting > 0 && !(d.stuck && d.lied) {
			return false
		}
	}
	return len(w.found()) == 0
}

func (w *world) result() Result {
	r := Result{Seed: w.cfg.Seed, Years: float64(w.cfg.Days*len(w.devices)) / 365.25, Records: len(w.centre.acked), Named: w.named, Unknown: w.unknown, Gone: w.gone, Counts: map[Fault]Count{}, Digest: w.digest()}
	for f, c := range w.tally {
		r.Counts[f] = *c
	}
	for _, a := range Alarms {
		if w.centre.alarms[a] {
			r.Alarms = append(r.Alarms, a)
		}
	}
	return r
}

// model is a folder for one more read model.
func (w *world) model(name string) string { return filepath.Join(w.dir, name) }
