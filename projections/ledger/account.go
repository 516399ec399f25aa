package ledger

import (
	"math"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/handbook"
)

// source names what is off alike wherever it comes in: an instrument, or the zero of a stick in one tank.
type source struct {
	instrument events.Code
	tank       string // the spot of a stick's zero; empty for what is off by the whole instrument
}

// measured is an amount in litres with what can be wrong in it, as litres for one standard deviation: own, which
// nothing else has a part in, and shared, which comes in alike wherever its source does.
type measured struct {
	l      float64
	own    float64
	shared float64
	source source // of shared
}

// u is the standard uncertainty of the amount by itself.
func (m measured) u() float64 { return root(m.own, m.shared) }

// root is the root of the sum of squares. (math.Hypot differs in the last bit between platforms.)
func root(xs ...float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += float64(x * x)
	}
	return math.Sqrt(sum)
}

// account is a signed sum of measured amounts. Its uncertainty follows JCGM 100:2008, 5.1.2 and 5.2.2: what is wrong
// independently adds in squares; what has one source adds straight and with its sign, so that it cancels where it
// comes in on both sides.
type account struct {
	l      float64
	square float64 // of the independent parts
	shared []share // in the order in which they came
}

type share struct {
	source source
	l      float64
}

// add takes an amount into the sum, or with sign -1 out of it. No amount may come in twice.
func (a *account) add(m measured, sign float64) {
	a.l += float64(sign * m.l)
	a.square += float64(m.own * m.own)
	if m.shared == 0 {
		return
	}
	part := float64(sign * m.shared)
	for i := range a.shared {
		if a.shared[i].source == m.source {
			a.shared[i].l += part
			return
		}
	}
	a.shared = append(a.shared, share{m.source, part})
}

// join takes another sum into this one. They have nothing in common but what their shares name.
func (a *account) join(b *account) {
	a.l += b.l
	a.square += b.square
	for _, s := range b.shared {
		a.add(measured{shared: s.l, source: s.source}, 1)
	}
}

// u is the standard uncertainty of the sum.
func (a *account) u() float64 {
	sum := a.square
	for _, s := range a.shared {
		sum += float64(s.l * s.l)
	}
	return math.Sqrt(sum)
}

// result is the sum as it stands in a ledger.
func (a *account) result() projections.Measured { return fixed(a.l, a.u()) }

func fixed(l, u float64) projections.Measured {
	return projections.Measured{Value: projections.Amount(projections.Fixed(l)), U: projections.Amount(projections.Fixed(u))}
}

// mostL bounds what one record can say of an amount: no tank that is serviced by hand holds more. What lies beyond is a
// slip, and counts as an amount that is not known.
const mostL = 1e6

func possible(l float64) bool { return l >= 0 && l <= mostL }

// expansion is the part of a volume of water by which it grows for one kelvin, at a temperature: the slope of Kell's
// density over one kelvin around it, within the range of the formula.
func expansion(cel float64) float64 {
	lo, hi := max(cel-0.5, 0), min(cel+0.5, 150)
	a, errA := handbook.WaterDensity(lo)
	b, errB := handbook.WaterDensity(hi)
	if errA != nil || errB != nil || hi <= lo {
		return 0
	}
	return math.Abs(a-b) / (hi - lo) / b
}
