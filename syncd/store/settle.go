package store

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"sync"
	"sync/atomic"

	"ullage/events"
	"ullage/projections"
)

// Restatements are told message by message, as if each were a transaction of its own: whoever follows the stream and
// whoever builds the model anew find the same ones. What one message changes at different machines has nothing to do
// with each other, so machines are settled side by side, each through all messages of the transaction.

// settling is the work on one machine.
type settling struct {
	id  events.MachineID
	key string
	via map[projections.Key]bool // histories of entries that were touched, and that its results rest on

	machine *settled
	needs   []projections.Key // that are new
	told    []told
	err     error
}

// told is a restatement, and which of the changes causes it.
type told struct {
	change int
	projections.Restatement
}

// settle folds the machines that changes concern, and writes down which earlier results are others now.
func (e *engine) settle(changes []*change) error {
	work, err := e.concerned(changes)
	if err != nil {
		return err
	}
	e.inParallel(work, changes)
	var all []told
	for _, w := range work {
		if w.err != nil {
			return fmt.Errorf("machine %s: %w", w.id, w.err)
		}
		for _, key := range w.needs {
			if err := e.exec(`INSERT OR IGNORE INTO rest VALUES(?, ?)`, key.String(), string(w.id)); err != nil {
				return err
			}
		}
		all = append(all, w.told...)
		if w.machine != nil {
			e.machines.put(w.id, w.machine, w.machine.own.Len()+1)
		}
	}
	slices.SortStableFunc(all, func(a, b told) int { return cmp.Compare(a.change, b.change) })
	for _, t := range all {
		if err := e.exec(`INSERT INTO restatement(id, machine, projection, what, old, new, caused_by) VALUES(?, ?, ?, ?, ?, ?, ?)`,
			t.ID[:], t.Key, t.Projection, t.What, t.Old, t.New, t.CausedBy[:]); err != nil {
			return err
		}
	}
	return nil
}

// concerned lists the machines that changes may concern, ascending.
func (e *engine) concerned(changes []*change) ([]*settling, error) {
	work := map[events.MachineID]*settling{}
	of := func(id events.MachineID) *settling {
		w := work[id]
		if w == nil {
			w = &settling{id: id, key: machineKey(id), via: map[projections.Key]bool{}}
			work[id] = w
		}
		return w
	}
	asked := map[projections.Key]bool{}
	for _, c := range changes {
		for key := range c.keys {
			if id, ok := machineOf(key); ok {
				of(id)
			}
		}
		for _, key := range c.entries {
			if asked[key] {
				continue
			}
			asked[key] = true
			resting, err := column[events.MachineID](&e.reader, `SELECT machine FROM rest WHERE key=?`, key.String())
			if err != nil {
				return nil, err
			}
			for _, id := range resting {
				of(id).via[key] = true
			}
		}
	}
	return slices.SortedFunc(maps.Values(work), func(a, b *settling) int { return cmp.Compare(a.id, b.id) }), nil
}

func (e *engine) inParallel(work []*settling, changes []*change) {
	var next atomic.Int64
	var done sync.WaitGroup
	for range min(e.most, len(work)) {
		done.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(work); i = int(next.Add(1)) - 1 {
				work[i].err = work[i].through(e, changes)
			}
		})
	}
	done.Wait()
}

// through settles the machine after each of the changes that concern it.
func (w *settling) through(e *engine, changes []*change) (err error) {
	w.machine, _ = e.machines.get(w.id)
	for n, c := range changes {
		mine := c.keys[w.key]
		var touched []*entering
		for _, key := range c.entries {
			if w.via[key] || w.machine != nil && w.machine.needs[key] {
				touched = append(touched, c.keys[key.String()])
			}
		}
		if mine == nil && len(touched) == 0 {
			continue
		}
		if w.machine == nil {
			if w.machine, err = e.load(w.id, c.place.Seq-1); err != nil {
				return err
			}
			w.needs = slices.AppendSeq(w.needs, maps.Keys(w.machine.needs))
		}
		for _, in := range touched {
			w.machine.touched(in.from)
		}
		if mine != nil {
			w.needs = append(w.needs, w.machine.add(allKept(mine.records))...)
		}
		if w.machine.isSettled() {
			continue
		}
		changed, err := w.machine.fold(e, c.place)
		if err != nil {
			return err
		}
		for _, r := range changed {
			w.told = append(w.told, told{n, r})
		}
	}
	return nil
}
