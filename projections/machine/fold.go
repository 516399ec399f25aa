package machine

import (
	"ullage/events"
	"ullage/projections"

	"ullage/events/unit"
)

// Fold computes the state of in.Machine within in.Bounds.
func Fold(in projections.Input) State {
	f := folder{in: in, state: State{
		Machine: in.Machine, AsOf: bound(in.Bounds.AsOf), KnownAt: bound(in.Bounds.KnownAt),
		Readings: map[string]Reading{}, Parts: map[string]Part{}, OpenFaults: []Fault{},
	}}
	for i := range in.History.All {
		if r := &in.History.All[i]; r.Machine == in.Machine || r.Record.Machine == in.Machine {
			f.state.Records++
		}
	}
	for i := range in.History.Facts {
		if fact := &in.History.Facts[i]; fact.Machine == in.Machine {
			f.fact(fact)
		}
	}
	if placed, ok := in.Register.Machine(in.Machine, in.Bounds.AsOf); ok {
		f.state.Site, f.state.Retired = placed.Site, placed.Retired
	}
	if f.state.VolumeL != nil {
		since := projections.MeasuredOf(f.since)
		f.state.FlowsSinceL = &since
	}
	return f.state
}

func bound(at events.Millis) *string {
	if at >= events.MaxMillis {
		return nil
	}
	s := at.Format(0)
	return &s
}

// folder carries what a fold knows so far.
type folder struct {
	in    projections.Input
	state State
	since unit.Value // into the bath since its volume was measured
}

func (f *folder) fact(fact *projections.Fact) {
	if fact.Site != "" {
		f.state.Site = fact.Site // unless the register knows better
	}
	switch b := fact.Body.(type) {
	case *events.ReadingTaken:
		f.reading(fact, b)
	case *events.PartSwapped:
		switch position := string(b.Position); {
		case b.In != nil:
			f.state.Parts[position] = Part{b.In.Part, b.In.Serial, done(fact)}
		case b.Out != nil:
			delete(f.state.Parts, position)
		}
	case *events.FaultFound:
		f.state.OpenFaults = append(f.state.OpenFaults, fault(fact, b))
	case *events.FaultCleared:
		f.clear(b)
	default:
		f.flow(fact)
	}
}

// reading keeps a reading as the newest of its quantity; one of the bath's volume begins its flows anew.
func (f *folder) reading(fact *projections.Fact, b *events.ReadingTaken) {
	if b.Value == nil || b.NotRead != nil && *b.NotRead {
		return
	}
	r := Reading{Value: *b.Value, Unit: b.Unit, U: b.U, Limit: b.Limit, Done: done(fact), Visit: visit(fact)}
	if u, err := events.QuantityUnit(b.Quantity, b.Unit); err == nil {
		r.Unit = u.Code
	}
	f.state.Readings[name(f.in, fact, string(b.Quantity), b.Of)] = r
	if tank, v, ok := f.in.Register.Volume(fact); ok && isBath(f.in, fact, tank) {
		m := projections.MeasuredOf(v)
		f.state.VolumeL = &Volume{m.Value, m.U, done(fact)}
		f.since = unit.Value{}
	}
}

func (f *folder) flow(fact *projections.Fact) {
	flow, v, ok := f.in.Register.Flow(fact)
	if !ok {
		return
	}
	entry := entryAt(f.in, fact)
	if tank, ok := projections.IsTank(entry, flow.To); ok && isBath(f.in, fact, tank) {
		f.since = f.since.Add(v)
	}
	if tank, ok := projections.IsTank(entry, flow.From); ok && isBath(f.in, fact, tank) {
		f.since = f.since.Sub(v)
	}
}

// clear closes a fault at a position, or wherever it stands where the record gives none.
func (f *folder) clear(b *events.FaultCleared) {
	open := f.state.OpenFaults[:0]
	for _, o := range f.state.OpenFaults {
		if o.Fault != b.Fault || b.Position != "" && o.Position != b.Position {
			open = append(open, o)
		}
	}
	f.state.OpenFaults = open
}

func fault(fact *projections.Fact, b *events.FaultFound) Fault {
	o := Fault{Record: fact.Record.ID.String(), Fault: b.Fault, Grade: b.Grade, Position: b.Position, Done: done(fact), Visit: visit(fact), Text: b.Text.Plain}
	if o.Text == "" && !b.Text.IsZero() {
		o.Evidence = b.Text.Digest
		o.Text = "evidence:" + o.Evidence.String()
	}
	return o
}

// entryAt is the machine's entry on the register at a fact. Where the office was later than the technician, the newest
// entry tells at least what its tanks are called.
func entryAt(in projections.Input, fact *projections.Fact) *events.MachineEntered {
	if e := in.Register.Entry(in.Machine, fact.At); e != nil {
		return e
	}
	return in.Register.Entry(in.Machine, events.MaxMillis)
}

// isBath tells whether a tank is the one that is meant where none is named.
func isBath(in projections.Input, fact *projections.Fact, tank string) bool {
	entry := entryAt(in, fact)
	bath, _ := projections.TankName(entry, "")
	tank, _ = projections.TankName(entry, tank)
	return tank == bath
}

// name is a quantity, and of what it is where that is not the bath.
func name(in projections.Input, fact *projections.Fact, quantity, of string) string {
	tank, ok := projections.TankName(entryAt(in, fact), of)
	switch {
	case !ok:
		return quantity + "@" + of
	case isBath(in, fact, tank):
		return quantity
	}
	return quantity + "@" + tank
}

func done(fact *projections.Fact) string { return fact.Done.Format(fact.Zone) }

func visit(fact *projections.Fact) *string {
	if fact.Visit.IsZero() {
		return nil
	}
	s := fact.Visit.String()
	return &s
}
