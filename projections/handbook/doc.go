// Package handbook holds published formulas of the trade, each as one function that says its formula, its units, the
// range in which it holds and where it comes from. The ledger, the advice and the pages call these and no others: one
// formula, one place.
//
// A function never goes beyond its range: there it returns an error that wraps ErrRange. Products inside sums are
// wrapped in float64(...), which keeps a compiler from fusing them, so that every platform computes the same bits.
package handbook

import "errors"

// ErrRange is in every error about an input outside the range of a formula.
var ErrRange = errors.New("outside the range of the formula")

// ErrShape is in every error about a tank whose sizes make no tank.
var ErrShape = errors.New("the sizes make no tank")
