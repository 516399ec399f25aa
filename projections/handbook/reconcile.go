package handbook

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Balance is a sum of flows, by their places, that is nothing: of each flow +1, -1 or 0.
type Balance []float64

// Reconciled is what measured flows are, if the balances hold.
type Reconciled struct {
	Values, U []float64
	Chi2      float64 // how far the measured flows are from closing; 3.84 is passed by chance one time in twenty with one balance
	Degrees   int
	Worst     []int // of several balances: the flows that most speak against closing, all within 0.5 of the largest; which of them is wrong cannot be told
}

// Reconcile changes measured flows as little as their uncertainties say, such that the balances hold.
//
//	x' = x - V*A'*(A*V*A')^-1*A*x,  V' = V - V*A'*(A*V*A')^-1*A*V,  chi2 = (A*x)'*(A*V*A')^-1*(A*x)
//
// A flow's standardised residual is its change over that change's standard deviation. With one balance all are the same, so
// that none is named. Range: 1 to 100 flows, u above 0; balances that none follows from the others. Error: wraps
// ErrRange.
//
// Source: weighted least squares under linear constraints; S. Narasimhan and C. Jordache, Data Reconciliation and Gross
// Error Detection (2000), chapters 3 and 7.
func Reconcile(values, u []float64, balances []Balance) (Reconciled, error) {
	n, m := len(values), len(balances)
	switch {
	case n < 1 || n > 100 || len(u) != n:
		return Reconciled{}, fmt.Errorf("%w: %d values and %d uncertainties; there are 1 to 100 of both, as many", ErrRange, n, len(u))
	case m < 1 || m > n:
		return Reconciled{}, fmt.Errorf("%w: %d balances of %d flows", ErrRange, m, n)
	}
	for i := range n {
		if math.IsNaN(values[i]) || math.IsInf(values[i], 0) || !(u[i] > 0) || math.IsInf(u[i], 0) {
			return Reconciled{}, fmt.Errorf("%w: flow %d is %g with an uncertainty of %g, which is above 0", ErrRange, i+1, values[i], u[i])
		}
	}
	a, x, va := mat.NewDense(m, n, nil), mat.NewVecDense(n, values), mat.NewDense(n, m, nil)
	for i, b := range balances {
		if len(b) != n {
			return Reconciled{}, fmt.Errorf("%w: balance %d is of %d flows, not %d", ErrRange, i+1, len(b), n)
		}
		for j, f := range b {
			a.Set(i, j, f)
			va.Set(j, i, u[j]*u[j]*f)
		}
	}
	var s, inverse, gain, change mat.Dense
	s.Mul(a, va)
	if err := inverse.Inverse(&s); err != nil {
		return Reconciled{}, fmt.Errorf("%w: one of the balances follows from the others, or is empty", ErrRange)
	}
	gain.Mul(va, &inverse) // V*A'*S^-1
	change.Mul(&gain, va.T())
	var r, dx mat.VecDense
	r.MulVec(a, x)
	dx.MulVec(&gain, &r)
	var weighted mat.VecDense
	weighted.MulVec(&inverse, &r)
	out := Reconciled{Values: make([]float64, n), U: make([]float64, n), Chi2: mat.Dot(&r, &weighted), Degrees: m}
	residual := make([]float64, n)
	for i := range n {
		variance := change.At(i, i)
		out.Values[i] = values[i] - dx.AtVec(i)
		out.U[i] = math.Sqrt(max(float64(u[i]*u[i])-variance, 0))
		if variance > 1e-12*u[i]*u[i] {
			residual[i] = math.Abs(dx.AtVec(i)) / math.Sqrt(variance)
		}
	}
	if m > 1 {
		largest := 0.0
		for _, z := range residual {
			largest = max(largest, z)
		}
		for i, z := range residual {
			if z > 0 && largest-z <= 0.5 {
				out.Worst = append(out.Worst, i)
			}
		}
	}
	return out, nil
}

// WithinU is the standard uncertainty of what lies anywhere within half to both sides: half/sqrt(3). A reading off a
// scale of steps d has a half of d/2.
//
// Source: JCGM 100:2008, 4.3.7.
func WithinU(half float64) float64 { return half / math.Sqrt(3) }
