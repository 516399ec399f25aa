package handbook

import (
	"errors"
	"math"
	"testing"
)

// near fails unless got is want, within tol.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// must takes the value of a call that must not fail.
func must(t *testing.T) func(float64, error) float64 {
	return func(x float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
		return x
	}
}

func refused(t *testing.T, what string, err error) {
	t.Helper()
	if !errors.Is(err, ErrRange) {
		t.Errorf("%s: %v, want ErrRange", what, err)
	}
}
