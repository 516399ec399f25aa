package handbook

import (
	"errors"
	"math"
	"testing"
)

func TestTrend(t *testing.T) {
	// M. Hollander, D. A. Wolfe, E. Chicken, Nonparametric Statistical Methods, example 9.1.
	x := []float64{1, 2, 3, 4, 5}
	got, err := TrendOf(x, []float64{1.26, 1.27, 1.12, 1.16, 1.03})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", got.Slope, -0.05625, 1e-9)
	near(t, "intercept", got.InterceptHollander, 1.31625, 1e-9)
	near(t, "intercept", got.InterceptConover, 1.32875, 1e-9)
	near(t, "p", got.P, 0.2333, 0.0001)
	near(t, "low", got.Low, -0.15, 1e-4)
	near(t, "high", got.High, 0.04, 1e-4)
	// EPA 530/R-09-007, example 17-6: sulfate.
	x = []float64{89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8}
	got, err = TrendOf(x, []float64{480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590})
	if err != nil || got.S != 194 || got.VarS != 1428 {
		t.Fatalf("%+v, %v", got, err)
	}
	near(t, "z", got.Z, 5.107322, 1e-6)
	near(t, "p", got.P, 3.267574e-7, 1e-12)
	near(t, "slope", got.Slope, 26.66667, 1e-5)
	near(t, "intercept", got.InterceptConover, -1909.333, 1e-3)
	near(t, "low", got.Low, 20.0, 1e-5)
	near(t, "high", got.High, 35.71182, 1e-5)
	// One reading far off, which would turn a line of least squares; with R and scipy.
	got, err = TrendOf([]float64{0, 14, 28, 45, 60, 74, 91}, []float64{9.1, 9.1, 9.0, 8.9, 8.9, 7.2, 8.7})
	if err != nil || got.S != -17 {
		t.Fatalf("%+v, %v", got, err)
	}
	near(t, "slope", got.Slope, -0.00476190, 1e-6)
	near(t, "intercept", got.InterceptConover, 9.114286, 1e-6)
	near(t, "intercept", got.InterceptHollander, 9.133333, 1e-6)
	if _, err := TrendOf(x[:3], x[:3]); !errors.Is(err, ErrFew) || !errors.Is(err, ErrRange) {
		t.Errorf("three points: %v", err)
	}
	for _, bad := range [][2][]float64{{x, x[1:]}, {{1, 1, 1, 1}, {1, 2, 3, 4}}, {{1, 2, 3, math.NaN()}, {1, 2, 3, 4}}} {
		_, err := TrendOf(bad[0], bad[1])
		refused(t, "trend", err)
	}
}

// The exact test, counted by hand for 4 points in order, and against Kendall's table (from memory): S = 16 is reached with 8
// points in 0.031 of all orders, S = 21 with 10 points in 0.036.
func TestExactP(t *testing.T) {
	near(t, "4 points in order", exactP(4, 6), 2.0/24, 1e-12)
	near(t, "8 points", exactP(8, 16)/2, 0.031, 0.0005)
	near(t, "10 points", exactP(10, 21)/2, 0.036, 0.0005)
	near(t, "any", exactP(7, 0), 1, 1e-12)
}

func TestReconcile(t *testing.T) {
	// S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000): an exchanger with a bypass.
	values := []float64{101.91, 64.45, 34.65, 64.20, 36.44, 98.88}
	balances := []Balance{{1, -1, -1, 0, 0, 0}, {0, 1, 0, -1, 0, 0}, {0, 0, 1, 0, -1, 0}, {0, 0, 0, 1, 1, -1}}
	r, err := Reconcile(values, []float64{1, 1, 1, 1, 1, 1}, balances)
	if err != nil || r.Degrees != 4 {
		t.Fatalf("%+v, %v", r, err)
	}
	for i, want := range []float64{100.22, 64.50, 35.72, 64.50, 35.72, 100.22} {
		near(t, "bypass", r.Values[i], want, 0.005)
	}
	near(t, "chi2", r.Chi2, 6.41, 0.01)
	for _, c := range []struct {
		u    []float64
		want float64
		is   float64 // u of the first
		chi2 float64
	}{{[]float64{10, 10}, 105, 7.071, 0.5}, {[]float64{5, 10}, 102, 4.472, 0.8}} {
		r, err := Reconcile([]float64{100, 110}, c.u, []Balance{{1, -1}})
		if err != nil || len(r.Worst) != 0 {
			t.Fatalf("%+v, %v", r, err)
		}
		near(t, "in", r.Values[0], c.want, 0.01)
		near(t, "out", r.Values[1], c.want, 0.01)
		near(t, "u", r.U[0], c.is, 0.001)
		near(t, "chi2", r.Chi2, c.chi2, 1e-9)
	}
	// Data as in Rao and Narasimhan (1996): a gross error that one balance shows and cannot place.
	r, err = Reconcile([]float64{9.22, 4.83, 3.22}, []float64{0.03 * 9.22, 0.03 * 4.83, 0.03 * 3.22}, []Balance{{1, -1, -1}})
	if err != nil || len(r.Worst) != 0 {
		t.Fatalf("%+v, %v", r, err)
	}
	for i, want := range []float64{8.3821, 5.0599, 3.3222} {
		near(t, "gross error", r.Values[i], want, 0.0005)
	}
	near(t, "chi2", r.Chi2, 12.81, 0.01)
	for _, bad := range []struct {
		values, u []float64
		balances  []Balance
	}{
		{[]float64{1, 2}, []float64{1}, []Balance{{1, -1}}}, {[]float64{1, 2}, []float64{1, 0}, []Balance{{1, -1}}},
		{[]float64{1, 2}, []float64{1, 1}, []Balance{{1, -1}, {2, -2}}}, {[]float64{1, 2}, []float64{1, 1}, []Balance{{0, 0}}},
		{[]float64{1, math.NaN()}, []float64{1, 1}, []Balance{{1, -1}}}, {[]float64{1, 2}, []float64{1, 1}, nil},
	} {
		_, err := Reconcile(bad.values, bad.u, bad.balances)
		refused(t, "reconcile", err)
	}
}

// Of flows that the balances cannot tell apart, all are named: of two in a row, the one that is off and the other.
func TestWorstAreTied(t *testing.T) {
	// 1 = 2 + 3 and 3 = 4: the third is ten too high. Only what touches both balances can mend both.
	r, err := Reconcile([]float64{100, 60, 50, 40}, []float64{1, 1, 1, 1}, []Balance{{1, -1, -1, 0}, {0, 0, 1, -1}})
	if err != nil || len(r.Worst) != 1 || r.Worst[0] != 2 {
		t.Fatalf("%+v, %v", r, err)
	}
	// In a row of three, the ends are tied with nothing; with the second one off, it alone touches both.
	r, err = Reconcile([]float64{100, 110, 120}, []float64{1, 1, 1}, []Balance{{1, -1, 0}, {0, 1, -1}})
	if err != nil || len(r.Worst) != 2 {
		t.Fatalf("%+v, %v", r, err)
	}
}
