package handbook

import (
	"math"
	"testing"
)

func TestStrength(t *testing.T) {
	// A trade's worked example, 5.0 times 1.5; u recomputed for steps of 0.2 and a factor within 0.1.
	c, u, err := Strength(5, 1.5, WithinU(0.1), WithinU(0.1))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "strength", c, 7.5, 1e-12)
	near(t, "u", u, 0.301, 0.001)
	for _, x := range [][4]float64{{-1, 1, 0, 0}, {5, 0, 0, 0}, {50, 3, 0, 0}, {5, 1, -1, 0}, {math.NaN(), 1, 0, 0}} {
		_, _, err := Strength(x[0], x[1], x[2], x[3])
		refused(t, "strength", err)
	}
}

func TestDilute(t *testing.T) {
	p := func(x float64) *float64 { return &x }
	// OpenStax, Chemistry 2e, 3.3.
	near(t, "c2", must(t)(Dilute(p(5), p(0.850), nil, p(1.80))), 2.36, 0.005)
	near(t, "c2", must(t)(Dilute(p(2.04), p(25), nil, p(500))), 0.102, 0.0005)
	near(t, "v1", must(t)(Dilute(p(1.59), nil, p(0.1), p(5))), 0.314, 0.0005)
	near(t, "v2", must(t)(Dilute(p(1.88), p(0.250), p(0.125), nil)), 3.76, 0.001)
	near(t, "v2", must(t)(Dilute(p(3), p(0.05), p(0.575), nil)), 0.2609, 0.0001)
	near(t, "c1", must(t)(Dilute(nil, p(2), p(3), p(4))), 6, 1e-12)
	_, err := Dilute(p(1), p(1), p(1), p(1))
	refused(t, "four", err)
	_, err = Dilute(p(1), nil, nil, p(1))
	refused(t, "two", err)
	_, err = Dilute(p(1), p(0), nil, p(1))
	refused(t, "nothing", err)
}

func TestBlend(t *testing.T) {
	// A published exercise: 90 L of 60 % and 180 L of 30 % make 40 %.
	high, low, err := Blend(60, 30, 40, 270)
	if err != nil || high != 90 || low != 180 {
		t.Errorf("%g, %g, %v", high, low, err)
	}
	for _, x := range [][4]float64{{30, 60, 40, 1}, {60, 30, 61, 1}, {60, 30, 29, 1}, {60, 30, 40, 0}} {
		_, _, err := Blend(x[0], x[1], x[2], x[3])
		refused(t, "blend", err)
	}
}

// The first four are worked by hand from the balances; the rest are the corners.
func TestTopUp(t *testing.T) {
	for _, c := range []struct {
		name string
		b    Bath
		want TopUpPlan
	}{
		{"enough room", Bath{150, 3, 200, 5, 100, 0}, TopUpPlan{true, 5.5, 44.5, 0}},
		{"little room", Bath{190, 2, 200, 5, 100, 0}, TopUpPlan{true, 6.2, 3.8, 0}},
		{"too strong", Bath{180, 6, 200, 5, 100, 0}, TopUpPlan{false, 0, 33.3333, 13.3333}},
		{"no room", Bath{195, 1, 200, 6, 100, 0}, TopUpPlan{false, 10.1010, 0, 5.1010}},
		{"less of the same", Bath{200, 5, 100, 5, 100, 0}, TopUpPlan{false, 0, 0, 100}},
		{"less, and stronger", Bath{200, 5, 100, 6, 100, 0}, TopUpPlan{false, 1.052632, 0, 101.052632}},
		{"nothing to do", Bath{200, 5, 200, 5, 100, 0}, TopUpPlan{true, 0, 0, 0}},
		{"an empty tank", Bath{0, 0, 100, 5, 100, 0}, TopUpPlan{true, 5, 95, 0}},
	} {
		got, err := TopUp(c.b)
		if err != nil || got.Feasible != c.want.Feasible {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		near(t, c.name+": concentrate", got.Concentrate, c.want.Concentrate, 0.0001)
		near(t, c.name+": water", got.Water, c.want.Water, 0.0001)
		near(t, c.name+": drain", got.Drain, c.want.Drain, 0.0001)
		// What it says leads to what was asked for.
		rest := c.b.Volume - got.Drain
		near(t, c.name+": volume", rest+got.Concentrate+got.Water, c.b.ToVolume, 1e-9)
		near(t, c.name+": strength", rest*c.b.Strength+got.Concentrate*c.b.Concentrate+got.Water*c.b.Water, c.b.ToVolume*c.b.ToStrength, 1e-6)
	}
	for _, b := range []Bath{{-1, 3, 200, 5, 100, 0}, {150, 3, 0, 5, 100, 0}, {150, 3, 200, 5, 4, 0}, {150, 3, 200, 5, 100, 6}, {150, 300, 200, 5, 100, 0}, {150, 3, 200, 5, 0, 0}} {
		_, err := TopUp(b)
		refused(t, "top up", err)
	}
}

func TestVessel(t *testing.T) {
	near(t, "mass", must(t)(VesselMass(20, 1.02, 1.1)), 21.5, 1e-9)
	near(t, "fill", must(t)(VesselFill(15, 1.05, 1.1)), 13.238, 0.001)
	_, err := VesselFill(1, 1, 1.1)
	refused(t, "a vessel as heavy as the limit", err)
	_, err = VesselMass(1, 0, 1)
	refused(t, "density", err)
}
