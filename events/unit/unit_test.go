package unit_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events/unit"
)

func convert(t *testing.T, x float64, from, to string) float64 {
	t.Helper()
	f, err := unit.Lookup(from)
	if err != nil {
		t.Fatal(err)
	}
	g, err := unit.Lookup(to, f.Dim)
	if err != nil {
		t.Fatal(err)
	}
	return g.From(f.SI(unit.Value{V: x})).V
}

func near(got, want, relative float64) bool { return math.Abs(got-want) <= relative*math.Abs(want) }

// TestFactors derives the factors anew from what defines them: NIST SP 811, appendix B, and NIST Handbook 44,
// appendix C.
func TestFactors(t *testing.T) {
	const (
		inch = 0.0254     // m, exactly
		lb   = 0.45359237 // kg, exactly
		g    = 9.80665    // m/s2, standard gravity
		gal  = 231 * inch * inch * inch * 1000
		cft  = 12 * inch * 12 * inch * 12 * inch * 1000
		psi  = lb * g / (inch * inch)
	)
	for _, c := range []struct {
		code string
		want float64
	}{
		{"[in_i]", inch}, {"[ft_i]", 12 * inch}, {"[lb_av]", lb}, {"[gal_us]", gal}, {"[gal_br]", 4.54609}, {"[psi]", psi}, {"[cft_i]/min", cft / 60},
		{"mL", 1e-3}, {"m3", 1e3}, {"mm", 1e-3}, {"cm", 1e-2}, {"g", 1e-3}, {"kPa", 1e3}, {"bar", 1e5}, {"L/min", 1. / 60}, {"m3/h", 1000. / 3600},
		{"%", 0.01}, {"mS/cm", 1e-3 / 1e-2}, {"uS/cm", 1e-6 / 1e-2}, {"MOhm", 1e6}, {"mA", 1e-3}, {"ms", 1e-3}, {"min", 60}, {"h", 3600}, {"d", 86400},
	} {
		u, err := unit.Lookup(c.code)
		if err != nil {
			t.Fatal(err)
		}
		if got := u.SI(unit.Value{V: 1}).V; !near(got, c.want, 1e-9) {
			t.Errorf("1 %s: got %.12g, want %.12g", c.code, got, c.want)
		}
	}
}

// TestPublished holds conversions to published numbers: NIST SP 811 and Handbook 44 as above, and GNU Units 2.22 for the
// last four.
func TestPublished(t *testing.T) {
	for _, c := range []struct {
		x        float64
		from, to string
		want     float64
		relative float64
	}{
		{1, "[gal_us]", "L", 3.785411784, 1e-12},
		{1, "[gal_us]", "[gal_br]", 0.832674, 1e-6},
		{101.325, "kPa", "[psi]", 14.6959488, 1e-8},
		{1, "[cft_i]/min", "m3/h", 1.69901079552, 1e-12},
		{1, "[cft_i]/min", "L/s", 0.4719474432, 1e-12},
		{55, "[gal_us]", "L", 208.198, 1e-5},
		{20, "L", "[gal_us]", 5.283, 1e-4},
		{212, "[degF]", "Cel", 100, 1e-12},
		{-40, "[degF]", "Cel", -40, 1e-12},
		{0, "Cel", "K", 273.15, 1e-12},
		{5, "[gal_br]", "L", 22.73045, 1e-9},
		{43, "Cel", "[degF]", 109.4, 1e-9},
		{140, "[degF]", "Cel", 60, 1e-9},
		{6000, "kg", "[lb_av]", 13227.74, 1e-6},
	} {
		if got := convert(t, c.x, c.from, c.to); !near(got, c.want, c.relative) {
			t.Errorf("%g %s: got %.10g %s, want %.10g", c.x, c.from, got, c.to, c.want)
		}
	}
}

// TestUncertaintyTakesFactorOnly: a degree more is a degree more on any scale, and zero stays zero.
func TestUncertaintyTakesFactorOnly(t *testing.T) {
	f, _ := unit.Lookup("[degF]")
	got := f.SI(unit.Value{V: 50, U: 1.8})
	if !near(got.V, 283.15, 1e-12) || !near(got.U, 1, 1e-12) {
		t.Errorf("50 +- 1.8 [degF]: got %v K", got)
	}
	if back := f.From(got); !near(back.V, 50, 1e-12) || !near(back.U, 1.8, 1e-12) {
		t.Errorf("and back: got %v", back)
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		code := rapid.SampledFrom(unit.Codes()).Draw(t, "code")
		u, err := unit.Lookup(code)
		if err != nil {
			t.Fatal(err)
		}
		x := unit.Value{V: rapid.Float64Range(-1e6, 1e6).Draw(t, "v"), U: rapid.Float64Range(0, 1e3).Draw(t, "u")}
		back := u.From(u.SI(x))
		if math.Abs(back.V-x.V) > 1e-9*(1+math.Abs(x.V)) || math.Abs(back.U-x.U) > 1e-9*(1+x.U) {
			t.Fatalf("%v %s comes back as %v", x, code, back)
		}
	})
}

// TestAdd: JCGM 100:2008, 5.1.2: independent uncertainties add in squares, whether the amounts add or not.
func TestAdd(t *testing.T) {
	x, y := unit.Value{V: 10, U: 3}, unit.Value{V: 4, U: 4}
	if got, want := x.Add(y), (unit.Value{V: 14, U: 5}); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
	if got, want := x.Sub(y), (unit.Value{V: 6, U: 5}); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

// TestCodes holds the table to the codes that are promised, each with a dimension, none twice.
func TestCodes(t *testing.T) {
	const promised = "L l mL m3 [gal_us] [gal_br] mm cm m [in_i] [ft_i] kg g [lb_av] Cel [degF] K Pa kPa bar [psi] L/s L/min m3/h [cft_i]/min % 1 [pH] " +
		"S/m mS/cm uS/cm mmol/L mg/L [CFU]/mL Ohm MOhm mA A ms s min h d"
	if got := strings.Join(unit.Codes(), " "); got != promised {
		t.Errorf("got  %s\nwant %s", got, promised)
	}
	if got := strings.Join(unit.Codes(unit.Volume, unit.Mass), " "); got != "L l mL m3 [gal_us] [gal_br] kg g [lb_av]" {
		t.Errorf("volume and mass: got %s", got)
	}
}

func TestLookupRefuses(t *testing.T) {
	for _, code := range []string{"", "litre", "ML", "ml", "gal", "°C", "kg ", "psi"} {
		if _, err := unit.Lookup(code); !errors.Is(err, unit.ErrUnit) || !strings.Contains(err.Error(), "[gal_us]") {
			t.Errorf("%q: got %v, want ErrUnit with the codes that there are", code, err)
		}
	}
	_, err := unit.Lookup("kg", unit.Volume)
	if !errors.Is(err, unit.ErrUnit) || !strings.HasSuffix(err.Error(), "right would be L, l, mL, m3, [gal_us], [gal_br]") {
		t.Errorf("kg as a volume: got %v", err)
	}
}
