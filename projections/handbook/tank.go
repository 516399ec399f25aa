package handbook

import (
	"fmt"
	"math"
)

// Shape is the form of a tank, standing level.
type Shape string

// The shapes, each with the sizes that it needs.
const (
	Rectangular        Shape = "rectangular"         // length, width, height
	VerticalCylinder   Shape = "vertical-cylinder"   // diameter, height
	HorizontalCylinder Shape = "horizontal-cylinder" // diameter, length; flat ends
	Frustum            Shape = "frustum"             // bottom and top diameter, height
	ConeBottom         Shape = "cone-bottom"         // diameter, bottom diameter, height of the cone, height over all
	Strapped           Shape = "strapped"            // a table
)

// Tank is the inside of a tank. All lengths are in millimetres; those that the shape does not need stay zero.
type Tank struct {
	Shape          Shape
	Length, Width  float64
	Height         float64 // over all, to the brim
	Diameter       float64
	BottomDiameter float64
	TopDiameter    float64
	ConeHeight     float64
	Table          []Strap // of a strapped tank, by ascending depth
}

// Strap is a row of a strapping table: what the tank holds up to a depth.
type Strap struct{ Depth, Litres float64 }

const litre = 1e6 // cubic millimetres

// Check returns an error that wraps ErrShape unless the sizes that the shape needs are there and make a tank.
func (t *Tank) Check() error {
	need := func(names string, sizes ...float64) error {
		for _, s := range sizes {
			if !(s > 0) || math.IsInf(s, 0) {
				return fmt.Errorf("%w: a %s tank needs %s, above zero", ErrShape, t.Shape, names)
			}
		}
		return nil
	}
	switch t.Shape {
	case Rectangular:
		return need("length, width and height", t.Length, t.Width, t.Height)
	case VerticalCylinder:
		return need("diameter and height", t.Diameter, t.Height)
	case HorizontalCylinder:
		return need("diameter and length", t.Diameter, t.Length)
	case Frustum:
		if !(t.BottomDiameter >= 0) {
			return fmt.Errorf("%w: a bottom diameter is not below zero", ErrShape)
		}
		return need("top diameter and height", t.TopDiameter, t.Height)
	case ConeBottom:
		if !(t.BottomDiameter >= 0) || !(t.ConeHeight <= t.Height) {
			return fmt.Errorf("%w: the cone's bottom is not below zero, and the cone not higher than the tank", ErrShape)
		}
		return need("diameter, height of the cone and height", t.Diameter, t.ConeHeight, t.Height)
	case Strapped:
		if len(t.Table) < 2 {
			return fmt.Errorf("%w: a strapping table needs two rows", ErrShape)
		}
		for i, row := range t.Table {
			if i > 0 && (!(row.Depth > t.Table[i-1].Depth) || !(row.Litres >= t.Table[i-1].Litres)) || !(row.Depth >= 0) || !(row.Litres >= 0) {
				return fmt.Errorf("%w: row %d of the table: depths grow and volumes do not fall", ErrShape, i+1)
			}
		}
		return nil
	}
	return fmt.Errorf("%w: no shape %q", ErrShape, t.Shape)
}

// TankHeight is the greatest depth, in millimetres.
func TankHeight(t *Tank) float64 {
	switch t.Shape {
	case HorizontalCylinder:
		return t.Diameter
	case Strapped:
		return t.Table[len(t.Table)-1].Depth
	}
	return t.Height
}

// floor is the least depth that the formula knows: a strapping table need not begin at the bottom.
func floor(t *Tank) float64 {
	if t.Shape == Strapped {
		return t.Table[0].Depth
	}
	return 0
}

// TankVolume is the volume, in litres, of liquid that stands depth millimetres deep.
//
//	rectangular          length * width * h
//	vertical cylinder    pi/4 * d^2 * h
//	horizontal cylinder  length * (r^2*acos((r-h)/r) - (r-h)*sqrt(2*r*h - h^2))
//	frustum              pi/3 * h * (r0^2 + r0*r + r^2), r = r0 + (r1-r0)*h/height
//	cone bottom          the frustum up to the cone's height, a cylinder above it
//	strapped             linear between the two rows around h
//
// Range: from the bottom (or the table's first row) to the brim; what stands in the tank is not taken off. Errors wrap
// ErrShape and ErrRange.
//
// Source: the solids' formulas, as in every table book; the strapping of tanks, API MPMS chapter 2.2A.
func TankVolume(t *Tank, depth float64) (float64, error) {
	if err := t.Check(); err != nil {
		return 0, err
	}
	if lo, hi := floor(t), TankHeight(t); !(depth >= lo && depth <= hi) {
		return 0, fmt.Errorf("%w: a depth of %g mm; this tank is %g to %g mm deep", ErrRange, depth, lo, hi)
	}
	return t.volume(depth), nil
}

func (t *Tank) volume(h float64) float64 {
	switch t.Shape {
	case Rectangular:
		return t.Length * t.Width * h / litre
	case VerticalCylinder:
		return math.Pi / 4 * t.Diameter * t.Diameter * h / litre
	case HorizontalCylinder:
		r := t.Diameter / 2
		segment := float64(r*r*math.Acos(clamp((r-h)/r))) - float64((r-h)*halfChord(r, h))
		return t.Length * segment / litre
	case Frustum:
		return frustum(t.BottomDiameter/2, t.TopDiameter/2, t.Height, h) / litre
	case ConeBottom:
		cone := frustum(t.BottomDiameter/2, t.Diameter/2, t.ConeHeight, min(h, t.ConeHeight))
		above := math.Pi / 4 * t.Diameter * t.Diameter * max(h-t.ConeHeight, 0)
		return (float64(cone) + float64(above)) / litre
	}
	a, b := t.rows(h)
	return a.Litres + float64((b.Litres-a.Litres)*((h-a.Depth)/(b.Depth-a.Depth)))
}

// halfChord is half the width of the surface in a lying circle of radius r, h above its lowest point.
func halfChord(r, h float64) float64 { return math.Sqrt(max(float64(2*r*h)-float64(h*h), 0)) }

func clamp(x float64) float64 { return min(max(x, -1), 1) }

// frustum is the volume of the lowest h of a frustum of the given height, with radius r0 below and r1 above.
func frustum(r0, r1, height, h float64) float64 {
	r := radius(r0, r1, height, h)
	return math.Pi / 3 * h * (float64(r0*r0) + float64(r0*r) + float64(r*r))
}

func radius(r0, r1, height, h float64) float64 { return r0 + float64((r1-r0)*(h/height)) }

// rows are the two rows around the depth h; at a row, that row and the one above it.
func (t *Tank) rows(h float64) (a, b Strap) {
	i := 1
	for i < len(t.Table)-1 && t.Table[i].Depth <= h {
		i++
	}
	return t.Table[i-1], t.Table[i]
}

// TankDepth is the depth, in millimetres, at which a tank holds litres: the inverse of TankVolume, where the walls are
// not straight by bisection to 1e-9 of the tank's height. Where a table does not rise between two rows it is the lower depth. Errors wrap ErrShape
// and ErrRange.
func TankDepth(t *Tank, litres float64) (float64, error) {
	if err := t.Check(); err != nil {
		return 0, err
	}
	lo, hi := floor(t), TankHeight(t)
	if least, most := t.volume(lo), t.volume(hi); !(litres >= least && litres <= most) {
		return 0, fmt.Errorf("%w: a volume of %g L; this tank holds %g to %g L", ErrRange, litres, least, most)
	}
	if t.Shape == Rectangular || t.Shape == VerticalCylinder {
		return min(litres/t.volume(hi)*hi, hi), nil
	}
	for fine := 1e-9 * hi; hi-lo > fine; {
		if mid := lo + (hi-lo)/2; t.volume(mid) < litres {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}

// TankSurface is the area, in square metres, of the liquid's surface at depth millimetres: the slope of TankVolume.
// One millimetre more is as many litres as the surface has square metres. At a row of a strapping table the slope
// above it counts. Errors wrap ErrShape and ErrRange.
func TankSurface(t *Tank, depth float64) (float64, error) {
	if _, err := TankVolume(t, depth); err != nil {
		return 0, err
	}
	const squareMetre = 1e6
	circle := func(r float64) float64 { return math.Pi * r * r / squareMetre }
	switch t.Shape {
	case Rectangular:
		return t.Length * t.Width / squareMetre, nil
	case VerticalCylinder:
		return circle(t.Diameter / 2), nil
	case HorizontalCylinder:
		return 2 * halfChord(t.Diameter/2, depth) * t.Length / squareMetre, nil
	case Frustum:
		return circle(radius(t.BottomDiameter/2, t.TopDiameter/2, t.Height, depth)), nil
	case ConeBottom:
		return circle(radius(t.BottomDiameter/2, t.Diameter/2, t.ConeHeight, min(depth, t.ConeHeight))), nil
	}
	a, b := t.rows(depth)
	return (b.Litres - a.Litres) / (b.Depth - a.Depth), nil
}
