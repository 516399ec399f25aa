package handbook

import (
	"fmt"
	"math"
	"slices"
)

// Trend is a robust straight line through points, and whether there is one at all.
type Trend struct {
	Slope              float64
	InterceptConover   float64 // median(y) - slope*median(x)
	InterceptHollander float64 // median(y - slope*x)
	S                  int     // Mann-Kendall
	VarS               float64
	Z                  float64
	P                  float64 // two-sided: exact up to ten points without ties, else by Z
	Low, High          float64 // 95 % interval of the slope
}

// Least numbers of points.
const (
	LeastSlope = 4 // for a slope
	LeastClaim = 8 // for the claim that there is a trend
)

// ErrFew is in the error about too few points; it wraps ErrRange.
var ErrFew = fmt.Errorf("%w: too few points", ErrRange)

// TrendOf is the slope of Theil and Sen through points, with the test of Mann and Kendall: one point that is far off does
// not turn it. For the interval, ranks are taken linearly between the sorted slopes.
//
// Range: 4 to 2,000 points, of at least two x; as many y. The error about fewer points is ErrFew; others wrap ErrRange.
//
// Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379; M. G. Kendall, Rank Correlation Methods (1975); R. O. Gilbert,
// Statistical Methods for Environmental Pollution Monitoring (1987), 16.4 and 16.5.
func TrendOf(x, y []float64) (Trend, error) {
	n := len(x)
	switch {
	case len(y) != n:
		return Trend{}, fmt.Errorf("%w: %d x and %d y", ErrRange, n, len(y))
	case n < LeastSlope:
		return Trend{}, fmt.Errorf("%w: %d; a slope needs %d", ErrFew, n, LeastSlope)
	case n > 2000:
		return Trend{}, fmt.Errorf("%w: %d points, at most 2000", ErrRange, n)
	}
	for i := range n {
		if math.IsNaN(x[i]+y[i]) || math.IsInf(x[i], 0) || math.IsInf(y[i], 0) {
			return Trend{}, fmt.Errorf("%w: point %d is %g, %g", ErrRange, i+1, x[i], y[i])
		}
	}
	var t Trend
	var slopes []float64
	ties := false
	for i := range n {
		for j := i + 1; j < n; j++ {
			dx, dy := x[j]-x[i], y[j]-y[i]
			t.S += sign(dx) * sign(dy)
			ties = ties || dx == 0 || dy == 0
			if dx != 0 {
				slopes = append(slopes, dy/dx)
			}
		}
	}
	if len(slopes) == 0 {
		return Trend{}, fmt.Errorf("%w: all points have one x", ErrRange)
	}
	slices.Sort(slopes)
	t.Slope = median(slopes)
	rest := make([]float64, n)
	for i := range n {
		rest[i] = y[i] - float64(t.Slope*x[i])
	}
	t.InterceptHollander = median(sorted(rest))
	t.InterceptConover = median(sorted(y)) - float64(t.Slope*median(sorted(x)))
	t.VarS = varianceOfS(x, y)
	if t.VarS > 0 {
		t.Z = float64(t.S-sign(float64(t.S))) / math.Sqrt(t.VarS)
	}
	if t.P = math.Erfc(math.Abs(t.Z) / math.Sqrt2); n <= 10 && !ties {
		t.P = exactP(n, t.S)
	}
	const z95 = 1.959963984540054
	c, count := z95*math.Sqrt(t.VarS), float64(len(slopes))
	t.Low, t.High = ranked(slopes, (count-c)/2), ranked(slopes, (count+c)/2+1)
	return t, nil
}

func sign(x float64) int {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}

func sorted(x []float64) []float64 { return slices.Sorted(slices.Values(x)) }

// median is that of sorted numbers.
func median(x []float64) float64 {
	n := len(x)
	if n%2 == 1 {
		return x[n/2]
	}
	return (x[n/2-1] + x[n/2]) / 2
}

// ranked is what stands at a rank, counted from 1, of sorted numbers: linear between two, the first and the last beyond them.
func ranked(x []float64, rank float64) float64 {
	rank = min(max(rank, 1), float64(len(x)))
	i := int(rank)
	if i == len(x) {
		return x[i-1]
	}
	return x[i-1] + float64((rank-float64(i))*(x[i]-x[i-1]))
}

// varianceOfS is the variance of S under no trend, with the correction for ties in x and y.
//
// Source: Kendall (1975), as Gilbert (1987) 16.4 has it for ties in y; with ties in both, the full form.
func varianceOfS(x, y []float64) float64 {
	n := float64(len(x))
	a, b := tied(x), tied(y)
	v := (n*(n-1)*(2*n+5) - a.variance - b.variance) / 18
	if a.pairs > 0 && b.pairs > 0 {
		v += a.triples*b.triples/(9*n*(n-1)*(n-2)) + a.pairs*b.pairs/(2*n*(n-1))
	}
	return v
}

type tieSums struct{ variance, pairs, triples float64 }

func tied(x []float64) (s tieSums) {
	all := sorted(x)
	for i := 0; i < len(all); {
		j := i
		for j < len(all) && all[j] == all[i] {
			j++
		}
		t := float64(j - i)
		s.variance += t * (t - 1) * (2*t + 5)
		s.pairs += t * (t - 1)
		s.triples += t * (t - 1) * (t - 2)
		i = j
	}
	return s
}

// exactP is how often, of all orders of n numbers, S lies as far from 0 as s or farther.
func exactP(n, s int) float64 {
	// ways[k] is the number of orders with k pairs the wrong way round: S = n(n-1)/2 - 2k.
	ways := []float64{1}
	total := 1.0
	for m := 2; m <= n; m++ {
		next := make([]float64, len(ways)+m-1)
		for k, w := range ways {
			for j := range m {
				next[k+j] += w
			}
		}
		ways = next
		total *= float64(m)
	}
	pairs, far := n*(n-1)/2, 0.0
	for k, w := range ways {
		if other := pairs - 2*k; max(other, -other) >= max(s, -s) {
			far += w
		}
	}
	return far / total
}
