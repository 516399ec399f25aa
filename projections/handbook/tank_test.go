package handbook

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

const inch = 25.4

var (
	table  = []Strap{{0, 0}, {50, 11.2}, {100, 25.9}, {150, 42.4}, {200, 59.1}}
	lying  = Tank{Shape: HorizontalCylinder, Diameter: 1200, Length: 2000}
	lying2 = Tank{Shape: HorizontalCylinder, Diameter: 24 * inch, Length: 36 * inch}
	cone   = Tank{Shape: ConeBottom, Diameter: 800, BottomDiameter: 100, ConeHeight: 300, Height: 900}
	pail   = Tank{Shape: Frustum, BottomDiameter: 263, TopDiameter: 286, Height: 360}
)

func TestTankVolume(t *testing.T) {
	const gallon = 3.785411784
	full := math.Pi / 4 * 120 * 120 / 1e6
	for _, c := range []struct {
		name  string
		tank  Tank
		depth float64
		want  float64
		tol   float64
	}{
		{"lying, published", Tank{Shape: HorizontalCylinder, Diameter: 1450, Length: 10000}, 1250, 15137.92, 1},
		{"lying, half of 3500", Tank{Shape: HorizontalCylinder, Diameter: 120, Length: 3500 / full}, 60, 1750, 0.001},
		{"lying, third of 3500", Tank{Shape: HorizontalCylinder, Diameter: 120, Length: 3500 / full}, 40, 1021.2699, 0.001},
		{"lying", lying, 100, 90.031, 0.001},
		{"lying", lying, 450, 774.759, 0.001},
		{"lying", lying, 600, 1130.973, 0.001},
		{"frustum", Tank{Shape: Frustum, BottomDiameter: 2000, TopDiameter: 500, Height: 5000}, 5000, 6872.23, 0.01},
		{"pail", pail, 360, 21.317, 0.001},
		{"cone", cone, 100, 4.0433, 0.001},
		{"cone", cone, 150, 10.1120, 0.001},
		{"cone", cone, 500, 157.865, 0.001},
		{"standing", Tank{Shape: VerticalCylinder, Diameter: 572, Height: 850}, 400, 102.788, 0.001},
		{"strapped", Tank{Shape: Strapped, Table: table}, 75, 18.55, 1e-9},
		{"strapped, at a row", Tank{Shape: Strapped, Table: table}, 100, 25.9, 1e-9},
		{"strapped, last row", Tank{Shape: Strapped, Table: table}, 200, 59.1, 1e-9},
		{"lying, gallons", lying2, 3 * inch, 5.0865 * gallon, 0.0005 * gallon},
		{"lying, gallons", lying2, 10 * inch, 27.8054 * gallon, 0.0005 * gallon},
		{"lying, gallons", lying2, 18 * inch, 56.7190 * gallon, 0.0005 * gallon},
		{"lying, gallons", lying2, 21 * inch, 65.4157 * gallon, 0.0005 * gallon},
		{"box", Tank{Shape: Rectangular, Length: 36 * inch, Width: 24 * inch, Height: 20 * inch}, 10.5 * inch, 148.663, 0.001},
	} {
		got, err := TankVolume(&c.tank, c.depth)
		if err != nil || math.Abs(got-c.want) > c.tol {
			t.Errorf("%s at %g mm: %g L, %v; want %g", c.name, c.depth, got, err, c.want)
		}
	}
}

func TestTankLimits(t *testing.T) {
	for _, depth := range []float64{-1, 1200.1, math.NaN()} {
		if _, err := TankVolume(&lying, depth); !errors.Is(err, ErrRange) {
			t.Errorf("depth %g: %v, want ErrRange", depth, err)
		}
	}
	late := Tank{Shape: Strapped, Table: table[1:]}
	if _, err := TankVolume(&late, 20); !errors.Is(err, ErrRange) {
		t.Errorf("below the table: %v, want ErrRange", err)
	}
	if _, err := TankDepth(&pail, 22); !errors.Is(err, ErrRange) {
		t.Errorf("more than the brim: %v, want ErrRange", err)
	}
	for _, bad := range []Tank{
		{}, {Shape: "egg"}, {Shape: Rectangular, Length: 1, Width: 1}, {Shape: Frustum, BottomDiameter: -1, TopDiameter: 2, Height: 3},
		{Shape: ConeBottom, Diameter: 3, ConeHeight: 5, Height: 4}, {Shape: VerticalCylinder, Diameter: math.Inf(1), Height: 1},
		{Shape: Strapped, Table: table[:1]}, {Shape: Strapped, Table: []Strap{{0, 0}, {0, 1}}}, {Shape: Strapped, Table: []Strap{{0, 2}, {1, 1}}},
	} {
		if _, err := TankVolume(&bad, 0); !errors.Is(err, ErrShape) {
			t.Errorf("%+v: %v, want ErrShape", bad, err)
		}
	}
}

func TestLyingTankIsSymmetric(t *testing.T) {
	full, _ := TankVolume(&lying, 1200)
	for h := 0.0; h <= 1200; h += 37.5 {
		low, _ := TankVolume(&lying, h)
		high, _ := TankVolume(&lying, 1200-h)
		if math.Abs(low+high-full) > 1e-9*full {
			t.Errorf("%g mm: %g + %g is not %g", h, low, high, full)
		}
	}
}

// Depth is the inverse of volume, and the surface its slope, in every shape.
func TestTankInverseAndSlope(t *testing.T) {
	tanks := []Tank{lying, lying2, cone, pail, {Shape: Strapped, Table: table},
		{Shape: Rectangular, Length: 900, Width: 600, Height: 500}, {Shape: VerticalCylinder, Diameter: 572, Height: 850}}
	rapid.Check(t, func(t *rapid.T) {
		tank := rapid.SampledFrom(tanks).Draw(t, "tank")
		height := TankHeight(&tank)
		h := rapid.Float64Range(0.001, 0.999).Draw(t, "part") * height
		v, err := TankVolume(&tank, h)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := TankDepth(&tank, v); err != nil || math.Abs(back-h) > 1e-6*height {
			t.Fatalf("%g mm -> %g L -> %g mm, %v", h, v, back, err)
		}
		const step = 1e-3
		up, _ := TankVolume(&tank, min(h+step, height))
		s, err := TankSurface(&tank, h)
		if err != nil || math.Abs((up-v)/(min(h+step, height)-h)-s) > 0.002*s+1e-4 {
			t.Fatalf("%s at %g mm: surface %g m2, %v; slope %g", tank.Shape, h, s, err, (up-v)/step)
		}
	})
}
