package handbook

import (
	"errors"
	"math"
	"testing"
)

func TestWaterDensity(t *testing.T) {
	for _, c := range []struct{ cel, want, tol float64 }{
		{0, 999.8395, 1e-4}, // the formula's first constant
		// Tanaka and others, Metrologia 38 (2001) 301.
		{4, 999.9749, 0.005}, {10, 999.7025, 0.005}, {15, 999.1026, 0.005}, {20, 998.2067, 0.005},
		{25, 997.0470, 0.005}, {30, 995.6488, 0.005}, {40, 992.2152, 0.005},
		// Steam tables.
		{60, 983.2, 0.05}, {80, 971.8, 0.05}, {100, 958.4, 0.05},
		// The handbook's masses: 0.9982 and 0.9922 kg/L.
		{20, 998.2, 0.05}, {40, 992.2, 0.05},
	} {
		if got, err := WaterDensity(c.cel); err != nil || math.Abs(got-c.want) > c.tol {
			t.Errorf("%g degrees: %g, %v; want %g", c.cel, got, err, c.want)
		}
	}
	for _, cel := range []float64{-0.1, 150.1, math.NaN()} {
		if _, err := WaterDensity(cel); !errors.Is(err, ErrRange) {
			t.Errorf("%g degrees: %v, want ErrRange", cel, err)
		}
	}
}

func TestVolumeAt20(t *testing.T) {
	for _, c := range []struct{ v, cel, want float64 }{{100, 20, 100}, {100, 40, 99.400}, {200, 43, 198.564}, {0, 60, 0}} {
		if got, err := VolumeAt20(c.v, c.cel); err != nil || math.Abs(got-c.want) > 0.001 {
			t.Errorf("%g L at %g degrees: %g, %v; want %g", c.v, c.cel, got, err, c.want)
		}
	}
}
