package story

import (
	"time"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/projections"
)

// Random draws a history of two machines in which everything happens that can: corrections of each other, in conflict
// and settled, by those who may and those who may not; times that collide, come late or lie in the future; records that
// are held, admitted, or only kept; devices of which copies write, whose branches are settled, and not.
func Random(t *rapid.T) []projections.Arrival {
	d := &drawer{t: t, corrections: map[events.Target][]*projections.Arrival{}}
	d.tellers = []*Teller{{Device: "tab-1"}, {Device: "tab-2"}, {Device: "office-1", Office: true}}
	office := d.tellers[2]
	for _, id := range []events.MachineID{"nw-01", "nw-02"} {
		d.keep(office.Tell("2026-03-01T08:00:00Z", On{Site: "north-yard", Machine: id}, d.entry()))
	}
	d.keep(office.Tell("2026-03-01T08:00:00Z", On{}, &events.FluidSpecified{Fluid: "BF-A", Density: P(1.05)}))
	for range rapid.IntRange(1, 25).Draw(t, "records") {
		d.step()
	}
	all := make([]projections.Arrival, len(d.all))
	for i, a := range d.all {
		all[i] = *a
	}
	return all
}

type drawer struct {
	t           *rapid.T
	tellers     []*Teller
	all         []*projections.Arrival
	corrections map[events.Target][]*projections.Arrival
	branches    []events.BranchSettled // that can be settled
}

func (d *drawer) keep(a projections.Arrival) {
	d.all = append(d.all, &a)
}

func (d *drawer) number(what string, lo, hi int) int { return rapid.IntRange(lo, hi).Draw(d.t, what) }

func (d *drawer) litres() *float64 { return P(float64(d.number("litres", 0, 200))) }

func (d *drawer) when() string {
	return At("2026-03-02T08:00:00Z").Add(time.Duration(d.number("minute", 0, 12)) * 10 * time.Minute).Format(time.RFC3339)
}

func (d *drawer) entry() *events.MachineEntered {
	return &events.MachineEntered{Class: "sink", Fluid: "BF-A", Tanks: []events.Tank{
		{Tank: "wash", Shape: "rectangular", LengthMm: P(float64(100 * d.number("length", 7, 9))), WidthMm: P(600.0), HeightMm: P(500.0)},
		{Tank: "rinse", Shape: "vertical-cylinder", DiameterMm: P(500.0), HeightMm: P(600.0)},
	}}
}

func pick[T any](d *drawer, what string, from ...T) T {
	return from[d.number(what, 0, len(from)-1)]
}

func (d *drawer) body() events.Body {
	switch d.number("kind", 0, 11) {
	case 0, 1:
		return &events.ReadingTaken{Quantity: "volume", Value: d.litres(), Method: pick[events.Word](d, "method", "dip", "mark", "eye", ""),
			Moment: pick[events.Word](d, "moment", "arrival", "working", "departure"), Of: pick(d, "of", "", "bath", "wash", "rinse", "vessel:p-31"), Instrument: pick[events.Code](d, "instrument", "", "stick-1")}
	case 2:
		return &events.ReadingTaken{Quantity: "level", Value: P(*d.litres() * 2), Moment: "departure"}
	case 3:
		return &events.ReadingTaken{Quantity: "ph", Value: P(8 + *d.litres()/100), Moment: pick[events.Word](d, "moment", "arrival", "departure")}
	case 4:
		return &events.FluidAdded{From: "van", To: pick[events.Code](d, "to", "bath", "rinse", "p-31"), Product: "BF-A", Volume: *d.litres()}
	case 5:
		return &events.FluidRemoved{From: "wash", To: "p-31", What: pick[events.Word](d, "what", "bath", "soup"), Volume: *d.litres(), U: P(0.25)}
	case 6:
		return &events.DoseAdded{Product: "BF-A", Mass: d.litres(), Method: "scale"}
	case 7:
		return &events.PartSwapped{Position: "filter", In: &events.PartIn{Part: pick[events.Code](d, "part", "F-50", "F-25")}}
	case 8:
		return &events.FaultFound{Fault: "leak", Position: pick[events.Code](d, "position", "", "pump", "tap")}
	case 9:
		return &events.FaultCleared{Fault: "leak", Position: pick[events.Code](d, "position", "", "pump")}
	case 10:
		return &events.InstrumentChecked{Instrument: "stick-1", Result: pick[events.Word](d, "result", "pass", "fail")}
	}
	return &events.VesselStarted{Vessel: "p-31", Form: "pail", CapacityL: P(20.0), Use: "holding"}
}

func (d *drawer) step() {
	by := pick(d, "by", d.tellers...)
	var a projections.Arrival
	target := d.all[d.number("target", 0, len(d.all)-1)]
	var over []*projections.Arrival
	if known := d.corrections[target.Target()]; len(known) > 0 {
		over = known[d.number("over", 0, len(known)):]
	}
	switch d.number("step", 0, 12) {
	case 10:
		d.part(by)
		return
	case 11, 12:
		if len(d.branches) == 0 {
			return
		}
		b := d.branches[d.number("branch", 0, len(d.branches)-1)]
		a = pick(d, "settled by", d.tellers[2], d.tellers[2], by).Tell(d.when(), On{}, &b)
	case 0, 1:
		a = by.Amend(d.when(), target, d.amendment(), over...)
		d.corrections[target.Target()] = append(d.corrections[target.Target()], &a)
	case 2:
		a = by.Withdraw(d.when(), target, over...)
		d.corrections[target.Target()] = append(d.corrections[target.Target()], &a)
	case 3:
		a = by.Admit(d.when(), target)
	case 4:
		a = by.Tell(d.when(), On{Site: "north-yard", Machine: "nw-01"}, d.entry())
	default:
		a = by.Tell(d.when(), On{Site: "north-yard", Machine: pick[events.MachineID](d, "machine", "nw-01", "nw-02", ""), Visit: Visit(byte(d.number("visit", 1, 3)))}, d.body())
	}
	switch d.number("fate", 0, 9) {
	case 0:
		a.Received, a.Stage = 0, projections.Kept
	case 1:
		a.Held = "somebody else's"
	case 2:
		a.Received += 1e9
	case 3:
		a.Received -= 7e6 // done lies after it
	}
	d.keep(a)
}

// part lets a copy of a device write too.
func (d *drawer) part(by *Teller) {
	own := events.Seq(1) // the first that is by itself
	if n := len(by.parted); n > 0 {
		own = by.parted[n-1].Seq
	}
	if by.seq < own || len(d.tellers) == 6 {
		return
	}
	at := events.Seq(d.number("parting", int(own), int(by.seq)))
	c := by.Part(at - 1)
	d.tellers = append(d.tellers, c)
	d.keep(c.Tell(d.when(), On{Site: "north-yard", Machine: "nw-01"}, d.body()))
	for _, t := range []*Teller{by, c} {
		d.branches = append(d.branches, events.BranchSettled{Device: t.Device, Stands: t.Branch(at)})
	}
}

func (d *drawer) amendment() events.RecordAmended {
	var b events.RecordAmended
	switch d.number("amended", 0, 4) {
	case 0:
		b.Machine = pick[events.MachineID](d, "machine", "nw-01", "nw-02")
	case 1:
		b.Done = events.When(d.when())
	case 2:
		b.Visit = Visit(byte(d.number("visit", 1, 3)))
	default:
		b.Body = Body(d.body()) // of whatever kind: the gate cannot tell
	}
	return b
}
