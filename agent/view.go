package agent

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"sync"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/pack"
	"ullage/events/wire"
	"ullage/projections"
)

// ownView is what the device remembers of its own records beyond what the journal finds by itself: made by reading
// the journal through once, when it is first asked, and kept up from there. Its size goes with the number of machines,
// vessels and corrections, not with that of records.
type ownView struct {
	journal scanner

	mu       sync.Mutex
	upto     events.Seq
	vessels  map[events.Code]bool // that were started
	machines map[events.MachineID]events.SiteID
	over     map[events.Hash][]events.Seq // amendments and withdrawals, by the hash of their target
	erased   map[events.Digest]bool       // whose erasure was confirmed
	recent   recent
}

// scanner is what the view needs of a journal.
type scanner interface {
	Scan(from events.Seq, visit func(events.Seq, []byte) error) error
}

func newOwnView(j scanner) *ownView {
	return &ownView{
		journal: j, vessels: map[events.Code]bool{}, machines: map[events.MachineID]events.SiteID{},
		over: map[events.Hash][]events.Seq{}, erased: map[events.Digest]bool{}, recent: recent{},
	}
}

// catchUp reads what was written since. Records that damage has taken are passed over.
func (v *ownView) catchUp() error {
	for {
		err := v.journal.Scan(v.upto+1, func(seq events.Seq, record []byte) error {
			v.upto = seq
			return v.add(record)
		})
		var gap *journal.GapError
		if !errors.As(err, &gap) {
			return err
		}
		v.upto = gap.To
	}
}

// add takes a record. Most are told by their envelope to be of no interest, and are not decoded.
func (v *ownView) add(raw []byte) error {
	e, ok := peek(raw)
	if !ok {
		return nil // the journal's check names it
	}
	if len(e.machine) > 0 {
		if site, known := v.machines[events.MachineID(e.machine)]; !known || string(site) != string(e.site) {
			v.machines[events.MachineID(e.machine)] = events.SiteID(e.site)
		}
	}
	switch string(e.kind) {
	case "vessel.started", string(events.KindAmended), string(events.KindWithdrawn):
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		if target, ok := corrected(&r); ok {
			v.over[target.Hash] = append(v.over[target.Hash], r.Seq)
		} else {
			note(v.vessels, &r)
		}
	case "erasure.done":
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return err
		}
		if b, ok := projections.Read(r.Kind, r.V, r.Body).Body.(*events.ErasureDone); ok {
			for _, d := range b.Evidence {
				v.erased[d] = true
			}
		}
	case "reading.taken":
		v.recent.add(e, wire.Pulled{Record: raw})
	}
	return nil
}

// peeked is what an envelope says of whom a record concerns and when, parts of its bytes.
type peeked struct {
	clock               events.Clock
	done                events.Millis
	site, machine, kind []byte
	body                []byte
}

const envelopeFields = 14

// peek reads an envelope without holding it to its form; ok is false for what is none.
func peek(raw []byte) (e peeked, ok bool) {
	var in pack.Reader
	in.Reset(raw)
	pass := func(fields int) {
		for range fields {
			in.Skip(1)
		}
	}
	in.Array(envelopeFields)
	pass(3) // id, device, seq
	e.clock, e.done = events.Clock(in.Uint()), events.Millis(in.Int())
	pass(1) // zone
	e.site, e.machine = in.StringBytes(), in.StringBytes()
	pass(3) // visit, by, key
	e.kind = in.StringBytes()
	pass(1) // v
	e.body = in.Bin()
	return e, in.Err() == nil
}

// note puts a vessel that is started into a set.
func note(vessels map[events.Code]bool, r *events.Record) {
	if b, ok := projections.Read(r.Kind, r.V, r.Body).Body.(*events.VesselStarted); ok {
		vessels[b.Vessel] = true
	}
}

// corrections are the numbers of the device's own corrections of a record.
func (v *ownView) corrections(of events.Target) ([]events.Seq, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.catchUp(); err != nil {
		return nil, err
	}
	return slices.Clone(v.over[of.Hash]), nil
}

// unconfirmed are those pieces whose erasure no record of the device confirms.
func (v *ownView) unconfirmed(pieces []events.Digest) ([]events.Digest, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	err := v.catchUp()
	return slices.DeleteFunc(slices.Clone(pieces), func(d events.Digest) bool { return v.erased[d] }), err
}

// started tells whether the device itself has started a vessel.
func (v *ownView) started(vessel events.Code) (bool, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	err := v.catchUp()
	return v.vessels[vessel], err
}

// recent are the last readings of tanks' volumes and levels, of each machine: as many as it takes for one to stand when
// some are withdrawn.
type recent map[events.MachineID][]reading

// reading is one of them, as it was read from the journal or the copies.
type reading struct {
	done  events.Millis
	clock events.Clock
	wire.Pulled
}

const recentMost = 8

// add takes a reading if it is of a volume or a level; what exactly it says is looked at only when it is shown.
func (v recent) add(e peeked, p wire.Pulled) {
	if !bytes.Contains(e.body, []byte("volume")) && !bytes.Contains(e.body, []byte("level")) {
		return
	}
	r := reading{e.done, e.clock, p}
	list := v[events.MachineID(e.machine)]
	at, _ := slices.BinarySearchFunc(list, r, func(x, y reading) int {
		return cmp.Or(cmp.Compare(x.done, y.done), cmp.Compare(x.clock, y.clock))
	})
	if list = slices.Insert(list, at, r); len(list) > recentMost {
		list = slices.Delete(list, 0, 1)
	}
	v[events.MachineID(e.machine)] = list
}

// arrival is what came, for a projection.
func arrival(p wire.Pulled) (projections.Arrival, error) {
	r, err := events.DecodeRecord(p.Record)
	stage := projections.Received
	if p.Received == 0 {
		stage = projections.Kept
	}
	return projections.Arrival{Record: r, Hash: events.HashRecord(p.Record), Received: p.Received, Commit: p.Commit, Stage: stage}, err
}

// heldView is what the device has of others' records in memory: the register, and what the page shows. It is made by
// reading the copies through, and made again after a pull has brought more.
type heldView struct {
	register *projections.Register
	machines map[events.MachineID]bool
	vessels  map[events.Code]bool
	recent   recent
	fixes    []projections.Arrival // corrections and admissions
}

func newHeldView(c *copies) (*heldView, error) {
	v := &heldView{machines: map[events.MachineID]bool{}, vessels: map[events.Code]bool{}, recent: recent{}}
	var register []projections.Arrival
	office := map[events.DeviceID]bool{}
	err := c.each(func(p wire.Pulled, r *events.Record) error {
		a, err := arrival(p)
		if err != nil {
			return err
		}
		// What the centre sends of kinds that only the office may write, the office wrote: others' are held, and not
		// sent as what counts.
		if s, ok := events.SchemaOf(r.Kind, r.V); ok && s.Office {
			office[r.Device] = true
		}
		_, fix, err := events.CorrectionOf(r)
		switch {
		case fix && err == nil:
			v.fixes = append(v.fixes, a)
		case projections.IsRegister(r.Kind):
			register = append(register, a)
			if r.Kind == "machine.entered" {
				v.machines[r.Machine] = true
			}
		case r.Kind == "vessel.started":
			note(v.vessels, r)
		case r.Kind == "reading.taken":
			if e, ok := peek(p.Record); ok {
				v.recent.add(e, p)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, list := range [][]projections.Arrival{register, v.fixes} {
		for i := range list {
			list[i].Office = office[list[i].Record.Device]
		}
	}
	v.register = projections.NewRegister(projections.Resolve(slices.Concat(register, v.fixes), projections.Now))
	return v, nil
}
