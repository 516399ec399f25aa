package handbook

import (
	"math"
	"testing"
)

func TestPH(t *testing.T) {
	for cel, want := range map[float64]float64{0: 54.199, 20: 58.167, 25: 59.159, 40: 62.136} {
		near(t, "slope", must(t)(NernstSlope(cel)), want, 0.005)
	}
	near(t, "buffer value", must(t)(BufferValue(0.1, 4.76, 4.76)), 0.0576, 0.0001)
	near(t, "buffer value, water alone", must(t)(BufferValue(0, 7, 7)), math.Ln10*2e-7, 1e-12)
	for _, c := range []struct {
		b              Buffer
		cel, want, tol float64
	}{
		// J. Res. NBS 81A (1977).
		{Phthalate, 0, 4.0101, 0.0002}, {Phthalate, 25, 4.0059, 0.0002}, {Phthalate, 50, 4.0566, 0.0002},
		// JIS Z 8802, rounded there to 0.01; the last is between two rows.
		{Phosphate, 25, 6.86, 1e-9}, {Borate, 30, 9.14, 1e-9}, {Oxalate, 40, 1.70, 1e-9}, {Carbonate, 25, 10.02, 1e-9}, {Borate, 35, 9.105, 1e-9},
		// The NBS scale, within what the scales differ by: J. Res. NBS 73A (1969) 37; phosphate from memory.
		{Borate, 25, 9.180, 0.02}, {Carbonate, 25, 10.012, 0.02}, {Phosphate, 25, 6.865, 0.02}, {Phthalate, 25, 4.005, 0.02},
	} {
		near(t, string(c.b), must(t)(BufferPH(c.b, c.cel)), c.want, c.tol)
	}
	for b, cel := range map[Buffer]float64{Phthalate: 61, Borate: 19, Carbonate: 40, "vinegar": 25} {
		_, err := BufferPH(b, cel)
		refused(t, string(b), err)
	}
	_, err := NernstSlope(-1)
	refused(t, "slope", err)
	_, err = BufferValue(-1, 7, 7)
	refused(t, "buffer value", err)
}

// BufferValue is the slope of a titration: 1.0 mL of 0.10 M sodium hydroxide moves 100 mL of 0.10 M acetic acid and 0.10 M
// acetate from 4.74 to 4.75. OpenStax, Chemistry 2e, 14.6.
func TestBufferValueIsASlope(t *testing.T) {
	pka := -math.Log10(1.8e-5)
	beta := must(t)(BufferValue(0.2, pka, pka))
	near(t, "pH", pka+0.001/beta, 4.7536, 0.0005)
	near(t, "pH, as published", pka+0.001/beta, 4.75, 0.005)
}

func TestDoseByResponse(t *testing.T) {
	d, err := DoseByResponse(100, 8.60, 8.72, 9.00, 0.05)
	if err != nil || !d.Resolved {
		t.Fatalf("%+v, %v", d, err)
	}
	near(t, "estimate", d.Estimate, 233.3, 0.1)
	near(t, "offer", d.Offer, d.Estimate/2, 1e-9)
	if d, err := DoseByResponse(100, 8.60, 8.72, 9.00, 0.144); err != nil || d != (Dose{}) {
		t.Errorf("not resolved by a strip of steps of 0.5: %+v, %v", d, err)
	}
	for name, c := range map[string][3]float64{"past the target": {8.6, 9.2, 9.0}, "away from it": {8.6, 8.4, 9.0}, "there": {8.6, 9.0, 9.0}} {
		if d, err := DoseByResponse(100, c[0], c[1], c[2], 0.05); err != nil || !d.Resolved || d.Offer != 0 {
			t.Errorf("%s: %+v, %v", name, d, err)
		}
	}
	for _, x := range [][5]float64{{0, 8, 9, 9, 0.1}, {1, -1, 9, 9, 0.1}, {1, 8, 15, 9, 0.1}, {1, 8, 9, 9, 0}} {
		_, err := DoseByResponse(x[0], x[1], x[2], x[3], x[4])
		refused(t, "dose", err)
	}
}
