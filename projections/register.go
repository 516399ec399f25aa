package projections

import (
	"time"

	"ullage/events"
)

// Register is what stood on the office's register, and when. Every entry takes effect from the time at which it was
// done, that moment included, and is replaced as a whole by the next of its name. Built from a resolved History, it
// obeys both bounds and all corrections. A nil Register is empty.
type Register struct {
	sites       map[events.SiteID]timeline[*events.SiteEntered]
	machines    map[events.MachineID]timeline[Placed]
	customers   map[events.Code]timeline[*events.CustomerEntered]
	classes     map[events.Code]timeline[*events.ClassSpecified]
	fluids      map[events.Code]timeline[*events.FluidSpecified]
	parts       map[events.Code]timeline[*events.PartSpecified]
	items       map[events.Code]timeline[*events.ItemSpecified]
	instruments map[events.Code]timeline[*events.InstrumentSpecified]
	checks      map[events.Code]timeline[*events.InstrumentChecked]
	ofSite      map[events.SiteID]timeline[*events.AgreementSet]
	ofCustomer  map[events.Code]timeline[*events.AgreementSet]
}

// Placed is what the register says of a machine at a time.
type Placed struct {
	Entry   *events.MachineEntered // nil where it was moved or retired but never entered
	Site    events.SiteID
	Retired bool
}

// IsRegister tells whether records of a kind make up the Register. instrument.checked is one of them, though a
// technician writes it.
func IsRegister(kind events.Kind) bool {
	switch kind {
	case "site.entered", "customer.entered", "machine.entered", "machine.moved", "machine.retired", "class.specified",
		"fluid.specified", "part.specified", "item.specified", "instrument.specified", "instrument.checked", "agreement.set":
		return true
	}
	return false
}

// NewRegister builds the register out of the Facts of h; records of other kinds are passed over.
func NewRegister(h History) *Register {
	r := &Register{}
	for i := range h.Facts {
		r.add(&h.Facts[i])
	}
	return r
}

func put[K comparable, T any](m *map[K]timeline[T], key K, from events.Millis, what T) {
	if *m == nil {
		*m = map[K]timeline[T]{}
	}
	l := (*m)[key]
	l.add(from, what)
	(*m)[key] = l
}

func (r *Register) add(f *Fact) {
	switch b := f.Body.(type) {
	case *events.SiteEntered:
		put(&r.sites, f.Site, f.At, b)
	case *events.CustomerEntered:
		put(&r.customers, b.Code, f.At, b)
	case *events.MachineEntered:
		site := f.Site
		if now, _ := r.machines[f.Machine].at(f.At); site == "" {
			site = now.Site
		}
		put(&r.machines, f.Machine, f.At, Placed{Entry: b, Site: site})
	case *events.MachineMoved:
		now, _ := r.machines[f.Machine].at(f.At)
		now.Site = b.To
		put(&r.machines, f.Machine, f.At, now)
	case *events.MachineRetired:
		now, _ := r.machines[f.Machine].at(f.At)
		now.Retired = true
		put(&r.machines, f.Machine, f.At, now)
	case *events.ClassSpecified:
		put(&r.classes, b.Class, f.At, b)
	case *events.FluidSpecified:
		put(&r.fluids, b.Fluid, f.At, b)
	case *events.PartSpecified:
		put(&r.parts, b.Part, f.At, b)
	case *events.ItemSpecified:
		put(&r.items, b.Item, f.At, b)
	case *events.InstrumentSpecified:
		put(&r.instruments, b.Instrument, f.At, b)
	case *events.InstrumentChecked:
		put(&r.checks, b.Instrument, f.At, b)
	case *events.AgreementSet:
		if b.Site != "" {
			put(&r.ofSite, b.Site, f.At, b)
		} else if b.Customer != "" {
			put(&r.ofCustomer, b.Customer, f.At, b)
		}
	}
}

// Site is the entry of a site in force at a time.
func (r *Register) Site(id events.SiteID, at events.Millis) (*events.SiteEntered, bool) {
	if r == nil {
		return nil, false
	}
	return r.sites[id].at(at)
}

// Customer is the entry of a customer in force at a time.
func (r *Register) Customer(code events.Code, at events.Millis) (*events.CustomerEntered, bool) {
	if r == nil {
		return nil, false
	}
	return r.customers[code].at(at)
}

// Machine is what stood on the register of a machine at a time.
func (r *Register) Machine(id events.MachineID, at events.Millis) (Placed, bool) {
	if r == nil {
		return Placed{}, false
	}
	return r.machines[id].at(at)
}

// Entry is the machine's entry in force at a time; nil where there is none.
func (r *Register) Entry(id events.MachineID, at events.Millis) *events.MachineEntered {
	m, _ := r.Machine(id, at)
	return m.Entry
}

// Class is the specification of a class of machines in force at a time.
func (r *Register) Class(code events.Code, at events.Millis) (*events.ClassSpecified, bool) {
	if r == nil {
		return nil, false
	}
	return r.classes[code].at(at)
}

// Fluid is the specification of a fluid or product in force at a time.
func (r *Register) Fluid(code events.Code, at events.Millis) (*events.FluidSpecified, bool) {
	if r == nil {
		return nil, false
	}
	return r.fluids[code].at(at)
}

// Part is the specification of a part in force at a time.
func (r *Register) Part(code events.Code, at events.Millis) (*events.PartSpecified, bool) {
	if r == nil {
		return nil, false
	}
	return r.parts[code].at(at)
}

// Item is the specification of an item in force at a time.
func (r *Register) Item(code events.Code, at events.Millis) (*events.ItemSpecified, bool) {
	if r == nil {
		return nil, false
	}
	return r.items[code].at(at)
}

// Instrument is the specification of an instrument in force at a time.
func (r *Register) Instrument(code events.Code, at events.Millis) (*events.InstrumentSpecified, bool) {
	if r == nil {
		return nil, false
	}
	return r.instruments[code].at(at)
}

// Agreement is the agreement in force at a time: the site's own, or else its customer's. The bounds that stand in it
// are not judged.
func (r *Register) Agreement(site events.SiteID, at events.Millis) (*events.AgreementSet, bool) {
	if r == nil {
		return nil, false
	}
	if a, ok := r.ofSite[site].at(at); ok {
		return a, true
	}
	s, ok := r.sites[site].at(at)
	if !ok || s.Customer == "" {
		return nil, false
	}
	return r.ofCustomer[s.Customer].at(at)
}

// InstrumentChecked tells whether an instrument had a valid check at a time: its last check up to then passed and has
// not run out. It runs out after the days that the instrument's specification gives; without one, after the moment (or
// the day, in UTC) that the check itself gives as the next; without either it does not.
func (r *Register) InstrumentChecked(code events.Code, at events.Millis) bool {
	if r == nil {
		return false
	}
	checks := r.checks[code]
	last, ok := checks.at(at)
	if !ok || last.Result != "pass" {
		return false
	}
	const day = events.Millis(24 * time.Hour / time.Millisecond)
	if spec, ok := r.instruments[code].at(at); ok && spec.CheckEveryDays != nil {
		from, _ := checks.since(at)
		return at-from <= events.Millis(*spec.CheckEveryDays)*day
	}
	if last.Next == "" {
		return true
	}
	next, err := events.ParseWhen(string(last.Next))
	if err != nil {
		return false
	}
	until := events.MillisOf(next)
	if len(last.Next) == len(time.DateOnly) {
		until += day - 1
	}
	return at <= until
}

// Zone is the IANA name of a site's zone of time at a time; empty until the register gives it, when the offset of each
// record rules.
func (r *Register) Zone(site events.SiteID, at events.Millis) string {
	s, _ := r.Site(site, at)
	if s == nil {
		return ""
	}
	return s.Zone
}

// Local is the local time of a fact: in its site's zone, or at the record's own offset where the register gives none
// or load does not know it. load finds a zone by its name; time.LoadLocation does, at the edges where files may be read.
func (r *Register) Local(f *Fact, load func(name string) (*time.Location, error)) time.Time {
	if name := r.Zone(f.Site, f.At); name != "" {
		if zone, err := load(name); err == nil {
			return f.At.Time().In(zone)
		}
	}
	return f.At.In(f.Zone)
}

// Flags tells what the register finds odd about a fact: that its machine or its site did not stand there at the time.
func (r *Register) Flags(f *Fact) []Flag {
	if f.Machine != "" && r.Entry(f.Machine, f.At) == nil {
		return []Flag{NotOnRegister}
	}
	if _, ok := r.Site(f.Site, f.At); f.Site != "" && !ok {
		return []Flag{NotOnRegister}
	}
	return nil
}
