package agent

import (
	"cmp"
	"errors"
	"slices"
	"sync"

	"ullage/agent/journal"
	"ullage/events"
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
	recent   recent
}

// scanner is what the view needs of a journal.
type scanner interface {
	Scan(from events.Seq, visit func(events.Seq, []byte) error) error
}

func newOwnView(j scanner) *ownView {
	return &ownView{
		journal: j, vessels: map[events.Code]bool{}, machines: map[events.MachineID]events.SiteID{},
		over: map[events.Hash][]events.Seq{}, recent: recent{},
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

func (v *ownView) add(record []byte) error {
	r, err := events.DecodeRecord(record)
	if err != nil {
		return err
	}
	if r.Machine != "" {
		v.machines[r.Machine] = r.Site
	}
	switch r.Kind {
	case "vessel.started":
		note(v.vessels, &r)
	case "reading.taken":
		v.recent.add(projections.Arrival{Record: r, Hash: events.HashRecord(record), Stage: projections.Kept})
	default:
		if target, ok := corrected(&r); ok {
			v.over[target.Hash] = append(v.over[target.Hash], r.Seq)
		}
	}
	return nil
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

// started tells whether the device itself has started a vessel.
func (v *ownView) started(vessel events.Code) (bool, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	err := v.catchUp()
	return v.vessels[vessel], err
}

// recent are the last readings of tanks' volumes and levels, of each machine: as many as it takes for one to stand when
// some are withdrawn.
type recent map[events.MachineID][]projections.Arrival

const recentMost = 8

func (v recent) add(a projections.Arrival) {
	content := projections.Read(a.Record.Kind, a.Record.V, a.Record.Body)
	b, ok := content.Body.(*events.ReadingTaken)
	if !ok || b.Quantity != "volume" && b.Quantity != "level" || b.Value == nil {
		return
	}
	a.Content = &content
	list := v[a.Record.Machine]
	at, _ := slices.BinarySearchFunc(list, a, func(x, y projections.Arrival) int {
		return cmp.Or(cmp.Compare(x.Record.Done, y.Record.Done), cmp.Compare(x.Record.Clock, y.Record.Clock))
	})
	if list = slices.Insert(list, at, a); len(list) > recentMost {
		list = slices.Delete(list, 0, 1)
	}
	v[a.Record.Machine] = list
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
		a := projections.Arrival{
			Record: *r, Hash: events.HashRecord(p.Record), Received: p.Received, Commit: p.Commit, Stage: projections.Received,
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
			v.recent.add(a)
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
