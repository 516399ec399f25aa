// Package waste follows what was taken into custody: each filling of a vessel from its start to its handing over, by
// the site that it comes from and the calendar month in which it began there.
//
// A mass is as weighed where it was: the vessel when it was handed over, less its tare; or every flow into it. Where it
// was not, the mass of as much water stands in its place and is marked "estimated": sludge is heavier, so weigh it. The
// generator decides what a waste is, under the codes that hold at the site; nothing here does.
package waste

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"ullage/events"
	"ullage/projections"
)

// Month is the fillings of one site that began in one month.
type Month struct {
	Site     events.SiteID      `json:"site"`
	Month    string             `json:"month"` // 2026-03, in the site's local time
	Fillings []Filling          `json:"fillings"`
	Kg       projections.Amount `json:"kg"` // of those whose use is waste
}

// Filling is one filling of a vessel.
type Filling struct {
	Vessel    string             `json:"vessel"` // with the number of the filling: p-31/4
	Contents  *string            `json:"contents"`
	Use       events.Word        `json:"use"` // waste, holding, return, stock, undecided
	L         projections.Amount `json:"l"`
	Kg        projections.Amount `json:"kg"`
	Basis     string             `json:"basis"` // weighed or estimated
	ClockFrom string             `json:"clock_from"`
	Handed    *string            `json:"handed"`
}

// litreOfWater is the mass of a litre of water at 20 degrees, in kg (Kell 1975).
const litreOfWater = 0.99821

type filling struct {
	Filling
	site    events.SiteID
	started *projections.Fact
	tare    *float64
	gross   *float64 // when it was handed over
	flowed  float64  // kg that were weighed on their way in
	all     bool     // every flow in was weighed
}

// Fold follows the vessels of h. load finds a time zone by its IANA name.
func Fold(h projections.History, reg *projections.Register, load func(name string) (*time.Location, error)) []Month {
	open := map[events.Code]*filling{}
	number := map[events.Code]int{}
	var fillings []*filling
	for i := range h.Facts {
		f := &h.Facts[i]
		if b, ok := f.Body.(*events.VesselStarted); ok {
			number[b.Vessel]++
			x := &filling{started: f, site: cmp.Or(b.Origin, f.Site), tare: b.TareKg, all: true}
			x.Vessel, x.Use = string(b.Vessel)+"/"+strconv.Itoa(number[b.Vessel]), b.Use
			x.ClockFrom = f.Done.Format(f.Zone)
			open[b.Vessel], fillings = x, append(fillings, x)
			continue
		}
		follow(open, f)
	}
	return months(fillings, reg, load)
}

// follow lets a record change the fillings that it concerns. A flow from or to a vessel that was never started concerns
// none; the ledger flags it.
func follow(open map[events.Code]*filling, f *projections.Fact) {
	switch b := f.Body.(type) {
	case *events.VesselMarked:
		if x := open[b.Vessel]; x != nil {
			if b.Contents != "" {
				x.Contents = &b.Contents
			}
			x.Use = cmp.Or(b.Use, x.Use)
		}
	case *events.VesselHanded:
		if x := open[b.Vessel]; x != nil {
			handed := f.Done.Format(f.Zone)
			x.Handed, x.gross = &handed, b.Kg
			delete(open, b.Vessel)
		}
	case *events.VesselEmptied:
		if x, to := open[b.Vessel], open[b.To]; x != nil {
			if to != nil {
				to.in(float64(x.L), nil)
			}
			x.L = 0
			delete(open, b.Vessel)
		}
	default:
		flow, ok := events.FlowOf(f.Body)
		if !ok {
			return
		}
		if x := open[flow.From]; x != nil {
			x.L -= projections.Amount(flow.L)
			x.all = false // what is left was not weighed
		}
		if x := open[flow.To]; x != nil {
			x.in(flow.L, kgOf(f.Body))
		}
	}
}

func kgOf(b events.Body) *float64 {
	if removed, ok := b.(*events.FluidRemoved); ok {
		return removed.Kg
	}
	return nil
}

func (x *filling) in(l float64, kg *float64) {
	x.L += projections.Amount(l)
	if kg == nil {
		x.all = false
		return
	}
	x.flowed += *kg
}

// weigh decides on the mass.
func (x *filling) weigh() {
	x.L = projections.Amount(projections.Fixed(float64(x.L)))
	switch {
	case x.gross != nil && x.tare != nil:
		x.Kg, x.Basis = projections.Amount(projections.Fixed(*x.gross-*x.tare)), "weighed"
	case x.all:
		x.Kg, x.Basis = projections.Amount(projections.Fixed(x.flowed)), "weighed"
	default:
		x.Kg, x.Basis = projections.Amount(projections.Fixed(float64(x.L)*litreOfWater)), "estimated"
	}
}

func months(fillings []*filling, reg *projections.Register, load func(string) (*time.Location, error)) []Month {
	all := []Month{}
	for _, x := range fillings {
		x.weigh()
		local := *x.started
		local.Site = x.site
		month := reg.Local(&local, load).Format("2006-01")
		i := slices.IndexFunc(all, func(m Month) bool { return m.Site == x.site && m.Month == month })
		if i < 0 {
			i = len(all)
			all = append(all, Month{Site: x.site, Month: month})
		}
		all[i].Fillings = append(all[i].Fillings, x.Filling)
		if x.Use == "waste" {
			all[i].Kg = projections.Amount(projections.Fixed(float64(all[i].Kg + x.Kg)))
		}
	}
	slices.SortStableFunc(all, func(a, b Month) int { return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Month, b.Month)) })
	return all
}
