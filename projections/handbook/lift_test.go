package handbook

import (
	"math"
	"testing"
	"time"
)

// 40 CFR 262.13, table 1, at its limits.
func TestWaste(t *testing.T) {
	for _, c := range []struct {
		acute, other, residue float64
		want                  Category
	}{
		{0, 100, 0, VerySmall}, {0, 100.01, 0, Small}, {0, 999.99, 0, Small}, {0, 1000, 0, Large}, {1.01, 0, 0, Large},
		{1, 100, 100, VerySmall}, {0, 0, 100.01, Large}, {0, 60, 0, VerySmall},
	} {
		if got, err := WasteCategory(c.acute, c.other, c.residue); err != nil || got != c.want {
			t.Errorf("%+v: %s, %v", c, got, err)
		}
	}
	_, err := WasteCategory(0, -1, 0)
	refused(t, "waste", err)
	start := time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC)
	for days, want := range map[int]string{90: "2026-04-15", 180: "2026-07-14", 270: "2026-10-12", 0: "2026-01-15"} {
		if got, err := StoreUntil(start, days); err != nil || got.Format(time.DateOnly) != want {
			t.Errorf("%d days: %s, %v; want %s", days, got, err, want)
		}
	}
	_, err = StoreUntil(start, -1)
	refused(t, "days", err)
}

func TestLift(t *testing.T) {
	ideal := Lift{Horizontal: 25, Vertical: 75, Travel: 25, Rate: 0.2, Hours: 1, Coupling: Good, Units: SI}
	for _, c := range []struct {
		name string
		l    Lift
		want float64
		tol  float64
	}{
		// NIOSH 94-110, example 4, at the origin; its worksheet, with rounded factors, has 34.9.
		{"example 4", Lift{10, 22, 37, 0, 3, 1, Fair, US}, 34.81, 0.01},
		{"example 4, as printed", Lift{10, 22, 37, 0, 3, 1, Fair, US}, 34.9, 0.1},
		{"ideal", ideal, 23, 1e-9},
		{"a pail", Lift{30, 20, 60, 0, 0.2, 1, Fair, SI}, 13.608, 0.001},
		{"turned", Lift{40, 30, 70, 30, 1, 1, Poor, SI}, 8.409, 0.001},
		{"turned too far", Lift{25, 75, 25, 136, 0.2, 1, Good, SI}, 0, 0},
		{"too far away", Lift{64, 75, 25, 0, 0.2, 1, Good, SI}, 0, 0},
		{"too high", Lift{25, 176, 25, 0, 0.2, 1, Good, SI}, 0, 0},
		{"too long a way", Lift{25, 75, 176, 0, 0.2, 1, Good, SI}, 0, 0},
		{"too often", Lift{25, 75, 25, 0, 16, 1, Good, SI}, 0, 0},
		{"too often for so long", Lift{25, 70, 25, 0, 9, 3, Good, SI}, 0, 0},
		{"between two rates", Lift{25, 75, 25, 0, 1.5, 1, Good, SI}, 23 * 0.925, 1e-9},
	} {
		got, err := RecommendedWeight(c.l)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		near(t, c.name, got, c.want, c.tol)
	}
	for name, spoil := range map[string]func(*Lift){
		"vertical": func(l *Lift) { l.Vertical = -1 }, "hours": func(l *Lift) { l.Hours = 9 }, "coupling": func(l *Lift) { l.Coupling = "slippery" },
		"units": func(l *Lift) { l.Units = "" }, "angle": func(l *Lift) { l.Angle = 181 }, "rate": func(l *Lift) { l.Rate = math.NaN() },
	} {
		bad := ideal
		spoil(&bad)
		_, err := RecommendedWeight(bad)
		refused(t, name, err)
	}
	// NIOSH 94-110: 10 a minute for 8 of 15 minutes; for 5, where the manual prints 3.4.
	near(t, "rate", must(t)(LiftRate(10, 8)), 5.33, 0.005)
	near(t, "rate", must(t)(LiftRate(10, 5)), 3.33, 0.005)
	_, err := LiftRate(10, 16)
	refused(t, "rate", err)
}
