// Package audit lists records as they were written, whatever became of them: with what happened when, as stated, when
// it was written and when received, who corrected it and how safe it is. Nothing is hidden: what is held, withdrawn or
// superseded stands in the list with that state.
package audit

import "ullage/projections"

// Projection is the list in its place among the projections. It settles no results of its own: it is the list of the
// records themselves.
var Projection = projections.Projection{Name: "audit", Version: 1}
