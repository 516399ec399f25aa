package ledger

import (
	"math"

	"ullage/events"
	"ullage/projections"
)

// column is the term of the balance that an entry counts in.
type column int

const (
	added column = iota
	returned
	told
	removed
	spilled
	columns
)

// sign is how a term comes into the balance.
func (c column) sign() float64 {
	if c == removed || c == spilled {
		return -1
	}
	return 1
}

func (c column) String() string {
	return [columns]string{"added", "returned", "told", "removed", "spilled"}[c]
}

// entry is what one record puts into the balance of one tank.
type entry struct {
	n      int // place in the order of the fold
	fact   *projections.Fact
	column column
	amount measured    // as a flow is told: not below zero. Of what was told, signed
	known  bool        // false where the record gives no amount that can be counted
	lean   float64     // which way an unknown amount would go: 1 into the tank, -1 out of it, 0 neither
	flow   events.Flow // of what was told, empty
}

// ofTold is the uncertainty of what a customer told and gave none for, as a part of it.
const ofTold = 0.25

// amountOf is the amount of a flow in litres, false where it cannot be counted: a mass of something whose density the
// register does not know, or an amount that cannot be.
//
// All of the uncertainty of a named instrument is shared: the same pail, meter or scale is off alike each time.
func amountOf(register *projections.Register, f *projections.Fact) (measured, bool) {
	flow, v, ok := register.Flow(f)
	if !ok || !possible(v.V) {
		return measured{}, false
	}
	u := min(v.U, mostL)
	if flow.Instrument == "" {
		return measured{l: v.V, own: u}, true
	}
	return measured{l: v.V, shared: u, source: source{instrument: flow.Instrument}}, true
}

// entriesOf are the entries that a fact makes, by tank. A flow from one tank to another makes two.
func (b *books) entriesOf(n int, f *projections.Fact, put func(tank string, e entry)) {
	flow, counts := flowOf(f.Body)
	if !counts {
		if h, ok := f.Body.(*events.HistoryTold); ok {
			if tank, ok := b.places.tankOf(f, ""); ok {
				put(tank, toldBy(n, f, h))
			}
		}
		return
	}
	amount, known := amountOf(b.register, f)
	from, out := b.places.tank(f, flow.From)
	to, in := b.places.tank(f, flow.To)
	if out && in && from == to {
		return
	}
	e := entry{n: n, fact: f, amount: amount, known: known, flow: flow}
	if out {
		e.column, e.lean = removed, -1
		if f.Record.Kind == "fluid.spilled" {
			e.column = spilled
		}
		put(from, e)
	}
	if in {
		e.column, e.lean = added, 1
		if f.Record.Kind == "fluid.returned" {
			e.column = returned
		}
		put(to, e)
	}
}

// flowOf is the flow that a body tells of, where it is one of those that count in a tank's balance. A vessel that was
// emptied or rinsed is not: what came of it in a tank has its own record. Where the body names an amount that cannot be
// read (another unit, none) the flow counts, with an amount that is not known.
func flowOf(body events.Body) (events.Flow, bool) {
	flow, ok := events.FlowOf(body)
	unread := math.Inf(1) // no possible amount
	switch b := body.(type) {
	case *events.DoseAdded:
		if !ok {
			flow = events.Flow{To: b.To, Product: b.Product, L: unread, Method: b.Method, Instrument: b.Instrument}
		}
		if flow.To == "" {
			flow.To = projections.Bath
		}
	case *events.FluidAdded:
		if !ok {
			flow = events.Flow{From: b.From, To: b.To, Product: b.Product, L: unread}
		}
	case *events.FluidReturned:
		if !ok {
			flow = events.Flow{From: b.From, To: b.To, L: unread}
		}
	case *events.FluidRemoved:
		if !ok {
			flow = events.Flow{From: b.From, To: b.To, L: unread}
		}
	case *events.FluidSpilled:
		if !ok {
			flow = events.Flow{From: b.From, To: events.Code(b.Reached), L: unread}
		}
		if flow.To == "" {
			flow.To = "floor"
		}
	default:
		return events.Flow{}, false
	}
	return flow, true
}

// toldBy is what a customer says they put in (counted as positive) or let out (negative).
func toldBy(n int, f *projections.Fact, h *events.HistoryTold) entry {
	e := entry{n: n, fact: f, column: told}
	switch h.What {
	case "water-added", "fluid-added", "product-added":
		e.lean = 1
	case "drained", "skimmed", "spilled":
		e.lean = -1
	default: // moved, off, nothing: a known zero
		e.known = true
		return e
	}
	litre, err := events.VolumeUnit(h.Unit)
	if err != nil || h.Volume == nil {
		return e
	}
	l := float64(*h.Volume * litre.Factor)
	if !possible(l) {
		return e
	}
	u := float64(ofTold * l)
	if h.U != nil && *h.U >= 0 {
		u = min(float64(*h.U*litre.Factor), mostL)
	}
	e.amount, e.known = measured{l: float64(e.lean * l), own: u}, true
	return e
}
