package store

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"ullage/events"
)

// company is an invented one, large enough for benchmarks: technicians who go their rounds, and an office. Each
// technician has a tablet and five sites with two machines each, and goes to a colleague's now and then.
type company struct {
	random *rand.Rand
	office *pad
	pads   []*pad
	visits uint32

	messages []sent // in the order of arrival
}

const sitesEach, machinesEach = 5, 2

func aSite(pad, n int) events.SiteID { return events.SiteID(fmt.Sprintf("site-%02d-%d", pad, n)) }
func aMachine(pad, s, n int) events.MachineID {
	return events.MachineID(fmt.Sprintf("m-%02d-%d%d", pad, s, n))
}

// run lets the company work until there are that many records.
func run(t testing.TB, records, pads int) *company {
	t.Helper()
	c := &company{random: rand.New(rand.NewPCG(1, 2)), office: newPad(t, "office-1")}
	for n := range pads {
		c.pads = append(c.pads, newPad(t, events.DeviceID(fmt.Sprintf("tab-%02d", n))))
	}
	start := time.Date(2025, 3, 3, 7, 0, 0, 0, time.UTC)
	c.register(start.AddDate(0, 0, -3))
	c.push(c.office, c.office.waits(), start)
	for day := 0; ; day++ {
		morning := start.AddDate(0, 0, day)
		for n := range c.pads {
			c.day(n, day, morning)
		}
		n := len(c.office.written)
		for _, p := range c.pads {
			n += len(p.written)
		}
		last := n >= records
		c.evening(morning.Add(12*time.Hour), last)
		if last {
			return c
		}
	}
}

func ptr[T any](x T) *T { return &x }

func (c *company) float(lo, hi float64) *float64 {
	return ptr(float64(int((lo+c.random.Float64()*(hi-lo))*10)) / 10)
}

func (c *company) digest() (d events.Digest) {
	for i := 0; i < len(d); i += 8 {
		binary.LittleEndian.PutUint64(d[i:], c.random.Uint64())
	}
	return d
}

// register writes the office's register.
func (c *company) register(at time.Time) {
	for _, f := range []events.Code{"BF-A", "BF-B"} {
		c.office.write(at, on{}, &events.FluidSpecified{Fluid: f, Density: ptr(1.05), PhLow: ptr(8.0), PhTarget: ptr(8.8)})
	}
	for _, k := range []events.Code{"sink", "cabinet"} {
		c.office.write(at, on{}, &events.ClassSpecified{Class: k, WetL: ptr(0.5)})
	}
	for _, k := range []events.Code{"F-50", "F-25"} {
		c.office.write(at, on{}, &events.PartSpecified{Part: k})
	}
	for n := range c.pads {
		for _, kind := range []string{"PH", "RF", "TH"} {
			c.office.write(at, on{}, &events.InstrumentSpecified{Instrument: events.Code(fmt.Sprintf("%s-%02d", kind, n)), CheckEveryDays: ptr(int64(30))})
		}
		for s := range sitesEach {
			c.office.write(at, on{site: aSite(n, s)}, &events.SiteEntered{Zone: "Etc/GMT-1", Customer: "C-4"})
			for m := range machinesEach {
				c.office.write(at, on{site: aSite(n, s), machine: aMachine(n, s, m)}, &events.MachineEntered{
					Class: "sink", Serial: fmt.Sprint("A-", n, s, m), Fluid: "BF-A", WorkingL: ptr(200.0), Positions: []events.Code{"filter", "diffuser"},
					Tanks: []events.Tank{{Tank: "wash", Shape: "rectangular", LengthMm: ptr(900.0), WidthMm: ptr(600.0), HeightMm: ptr(500.0)}},
				})
			}
		}
	}
}

// day is one technician's day: two calls.
func (c *company) day(n, day int, at time.Time) {
	t := c.pads[n]
	by := events.StaffCode(fmt.Sprintf("T%d", n))
	t.write(at, on{by: by}, &events.StaffSignedOn{How: "pin"})
	if day%7 == 0 {
		for _, kind := range []string{"PH", "RF"} {
			t.write(at, on{by: by}, &events.InstrumentChecked{Instrument: events.Code(fmt.Sprintf("%s-%02d", kind, n)), Against: "buffer", Expected: ptr(7.0), Read: c.float(6.9, 7.1), Result: "pass"})
		}
	}
	for call := range 2 {
		whose, s := n, (2*day+call)%sitesEach
		if c.random.IntN(20) == 0 {
			whose = c.random.IntN(len(c.pads))
		}
		c.call(t, n, on{site: aSite(whose, s), by: by}, at.Add(time.Duration(call)*4*time.Hour), func(m int) events.MachineID { return aMachine(whose, s, m) })
	}
}

// call is a visit to a site.
func (c *company) call(t *pad, n int, o on, at time.Time, machines func(int) events.MachineID) {
	c.visits++
	var random [10]byte
	binary.BigEndian.PutUint32(random[4:], c.visits)
	o.visit = events.NewRecordID(events.MillisOf(at), random)
	minute := 0
	write := func(o on, b events.Body) *written {
		minute++
		return t.write(at.Add(time.Duration(minute)*time.Minute), o, b)
	}
	write(o, &events.VisitOpened{Reason: "planned"})
	for m := range machinesEach {
		o := o
		o.machine = machines(m)
		c.work(t, n, func(b events.Body) *written { return write(o, b) })
	}
	write(o, &events.SignatureCaptured{Evidence: c.digest(), Shown: c.digest(), Role: "foreman", Reader: "self"})
	write(o, &events.ReportGiven{Report: c.digest(), How: "shown", Role: "foreman", Lang: "en"})
	write(o, &events.VisitClosed{Outcome: "complete"})
}

// work is the service of one machine: some 32 records.
func (c *company) work(t *pad, n int, write func(events.Body) *written) {
	pail, holding := events.Code(fmt.Sprintf("p-%02d-%d", n, c.visits%4)), events.Code(fmt.Sprintf("h-%02d", n))
	read := func(moment, quantity events.Word, value *float64, unit string, instrument string) *written {
		b := &events.ReadingTaken{Quantity: quantity, Value: value, Unit: unit, Moment: moment, Method: "meter"}
		switch {
		case instrument != "":
			b.Instrument = events.Code(fmt.Sprintf("%s-%02d", instrument, n))
		case quantity == "volume":
			b.Method, b.U, b.State = "dip", ptr(1.2), &events.State{Pump: "off", Air: "off"}
		}
		return write(b)
	}
	photo := func(view events.Word) {
		write(&events.PhotoTaken{Evidence: c.digest(), Preview: c.digest(), Size: ptr(int64(200_000 + c.random.IntN(100_000))), View: view, Moment: "working", Source: "camera"})
	}
	task := func(name events.Code) { write(&events.TaskDone{Task: name}) }
	write(&events.WorkStarted{FoundBy: "scan"})
	photo("outside")
	write(&events.HistoryTold{What: "nothing", Source: "word", Role: "foreman"})
	level := read("arrival", "volume", c.float(170, 190), "L", "")
	read("arrival", "temperature", c.float(35, 40), "Cel", "TH")
	read("arrival", "ph", c.float(6, 9), "[pH]", "PH")
	read("arrival", "strength", c.float(2, 5), "%", "RF")
	read("arrival", "oil-depth", c.float(1, 9), "mm", "")
	write(&events.LookNoted{What: "smell", Grade: ptr(int64(1))})
	write(&events.PowerIsolated{Point: "plug", Lock: "L-07"})
	write(&events.FluidRemoved{From: "wash", To: holding, What: "bath", Volume: *c.float(80, 120), U: ptr(1.0), Method: "mark"})
	task("draw-off")
	write(&events.VesselStarted{Vessel: pail, Form: "pail", CapacityL: ptr(20.0), TareKg: ptr(1.1), Use: "waste"})
	write(&events.FluidRemoved{From: "wash", To: pail, What: "sludge", Volume: *c.float(5, 15), U: ptr(0.25), Method: "mark"})
	task("walls")
	task("sludge")
	photo("inside")
	write(&events.PartSwapped{Position: "filter", Out: &events.PartOut{Part: "F-50", State: "worn"}, In: &events.PartIn{Part: "F-50", Lot: "L9"}, Why: "due"})
	write(&events.ItemUsed{Item: "rag", Quantity: 2, From: "van"})
	write(&events.FluidReturned{From: holding, To: "wash", Volume: *c.float(80, 120), U: ptr(1.0), MeshUm: ptr(50.0), Method: "mark"})
	task("filter")
	write(&events.FluidAdded{From: "tap", To: "wash", Product: "water", Volume: *c.float(5, 20), U: ptr(0.5), Method: "meter"})
	write(&events.DoseAdded{Product: "BF-A", Volume: c.float(1, 3), Method: "mark"})
	if c.random.IntN(10) == 0 {
		write(&events.FaultFound{Fault: "leak", Grade: ptr(int64(1)), Position: "pump"})
	}
	task("heater")
	read("departure", "volume", c.float(190, 205), "L", "")
	read("departure", "temperature", c.float(30, 35), "Cel", "TH")
	read("departure", "ph", c.float(8, 9), "[pH]", "PH")
	read("departure", "strength", c.float(4, 5), "%", "RF")
	write(&events.PowerRestored{Point: "plug"})
	write(&events.MachineLeft{Power: "on", Heater: "on", Lid: "closed"})
	photo("outside")
	write(&events.WorkEnded{Outcome: "complete"})
	if c.random.IntN(10) == 0 { // misread, as it turns out
		b, err := events.EncodeBody(&events.ReadingTaken{Quantity: "volume", Value: c.float(170, 190), Unit: "L", Moment: "arrival", Method: "dip", U: ptr(1.2)})
		if err != nil {
			t.t.Fatal(err)
		}
		write(&events.RecordAmended{Target: level.Target(), Body: b, Why: events.Text{Plain: "misread"}})
	}
}

// evening lets the tablets that have network push, and in the end all of them.
func (c *company) evening(at time.Time, all bool) {
	order := c.random.Perm(len(c.pads))
	for _, n := range order {
		t := c.pads[n]
		if !all && c.random.IntN(10) == 0 {
			continue // no signal today
		}
		for t.waits() > 0 {
			c.push(t, min(t.waits(), 20+c.random.IntN(181)), at)
		}
	}
}

func (c *company) push(t *pad, n int, at time.Time) {
	for ; n > 0; n -= min(n, 200) {
		x := stretch{t, t.pushed, t.pushed + min(n, 200), events.MillisOf(at)}
		t.pushed = x.to
		c.messages = append(c.messages, x.send(uint64(len(c.messages)+1), 0))
	}
}

// restated are the restatements of the company's messages, as somebody finds them who folds each machine from all records
// that concern it.
func (c *company) restated() []Restatement {
	var ids []events.MachineID
	for n := range c.pads {
		for s := range sitesEach {
			for m := range machinesEach {
				ids = append(ids, aMachine(n, s, m))
			}
		}
	}
	return restated(c.messages, ids)
}

// records are all records, in the order of arrival of their devices.
func (c *company) records() int {
	n := len(c.office.written)
	for _, t := range c.pads {
		n += len(t.written)
	}
	return n
}
