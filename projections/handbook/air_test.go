package handbook

import (
	"math"
	"testing"
)

func TestAir(t *testing.T) {
	near(t, "19 at 80 psi", must(t)(FreeToActual(19, 80, 20, 20)), 2.949, 0.0005)
	near(t, "100 at 100 psi, 12.8 % published", must(t)(FreeToActual(100, 100, 20, 20)), 12.8, 0.05)
	near(t, "300 at 100 psi and 40 degrees", must(t)(FreeToActual(300, 100, 40, 20)), 41.07, 0.001*41.07)
	for _, c := range []struct {
		hose             Hose
		flow, psi        float64
		a, b, c, percent float64
	}{
		{Hose{0.75, 50}, 30, 90, 0.657, 0.741, 0.835, 1},
		{Hose{0.5, 50}, 19, 90, 2.14, 2.42, 2.91, 1},
		{Hose{0.375, 25}, 19, 90, 4.52, 5.10, 6.84, 1},
		// 1 m3/min through 100 m of 25 mm under 8 kgf/cm2 absolute, and 0.01 m3/s through 20 m of 13 mm under 800 kPa.
		{Hose{25 / 25.4, 100 / 0.3048}, 1 / 0.028316846592, 8*14.223343 - 14.7, 0.096896 * 14.223343, 0, 0, 0.1},
		{Hose{13 / 25.4, 20 / 0.3048}, 0.6 / 0.028316846592, 800/6.894757293168 - 14.7, 0, 21.495 / 6.894757293168, 0, 0.1},
	} {
		d, err := HoseDrop(c.hose, c.flow, c.psi)
		if err != nil {
			t.Errorf("%+v: %v", c, err)
		}
		for _, x := range [][2]float64{{d.A, c.a}, {d.B, c.b}, {d.C, c.c}} {
			if x[1] != 0 {
				near(t, "hose", x[0], x[1], c.percent/100*x[1])
			}
		}
	}
	_, err := HoseDrop(Hose{0.25, 200}, 100, 90)
	refused(t, "what does not come through", err)
	_, err = HoseDrop(Hose{0, 200}, 10, 90)
	refused(t, "no bore", err)
	// The half inch hose leaves 87 to 88 psi.
	d, err := HoseDrop(Hose{0.5, 50}, 19, 90)
	if err != nil || !d.InRange || math.Round(d.LeftLow) != 87 || math.Round(d.LeftHigh) != 88 {
		t.Errorf("%+v, %v", d, err)
	}
	near(t, "hold", must(t)(AirHold(80, 150, 100, 19, 10)), 4.042, 0.004)
	// A published exercise: 1374.5 US gallons last 5 minutes from 100 to 60 psi, 350 cubic feet a minute out and 250 in.
	near(t, "hold, published", must(t)(AirHold(1374.5, 100, 60, 350, 250)), 5, 0.0005)
	// US DOE, AMO tools: 549.78 gallons for half a minute of 100 cubic feet a minute from 110 to 100 psi, with 7.48 gallons to the cubic foot.
	near(t, "hold, published", must(t)(AirHold(549.78, 110, 100, 100, 0)), 0.5, 0.0005)
	if m, err := AirHold(80, 150, 100, 10, 10); err != nil || !math.IsInf(m, 1) {
		t.Errorf("a supply that covers it: %g, %v", m, err)
	}
	_, err = AirHold(80, 100, 150, 19, 10)
	refused(t, "uphill", err)
	_, err = FreeToActual(19, -1, 20, 20)
	refused(t, "pressure", err)
}

func TestAirCheck(t *testing.T) {
	tool := AirNeed{Supply: 25, Regulator: 90, NeedPressure: 80, NeedFlow: 19, Hose: Hose{0.5, 50}, ExtraDrop: -1}
	for _, c := range []struct {
		name  string
		spoil func(*AirNeed)
		want  Answer
	}{
		{"half an inch", func(*AirNeed) {}, Yes},
		{"too small a compressor", func(n *AirNeed) { n.Supply = 12 }, No},
		{"regulator too low", func(n *AirNeed) { n.Regulator = 75 }, No},
		{"three eighths, couplings not known", func(n *AirNeed) { n.Hose = Hose{0.375, 25} }, Unsure},
		{"three eighths, couplings measured", func(n *AirNeed) { n.Hose, n.ExtraDrop = Hose{0.375, 25}, 1 }, Yes},
		{"couplings that take much", func(n *AirNeed) { n.ExtraDrop = 9 }, No},
		{"a thin hose", func(n *AirNeed) { n.Hose = Hose{0.3, 50} }, No},
	} {
		n := tool
		c.spoil(&n)
		if got, why, err := AirCheck(n); err != nil || got != c.want || why == "" {
			t.Errorf("%s: %s, %s, %v; want %s", c.name, got, why, err, c.want)
		}
	}
	tool.Supply = -1
	_, _, err := AirCheck(tool)
	refused(t, "supply", err)
}
