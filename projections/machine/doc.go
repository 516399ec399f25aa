// Package machine tells how a machine stands: what its bath held when it was last measured, the newest readings, the
// parts in it, the faults that are open.
//
// It folds the Facts of one machine's history, those whose corrected envelope names it. What was measured is shown as
// measured: the volume is the last one read, and what flowed since is told beside it, never added up in silence.
package machine

import "ullage/projections"

// Projection is the fold as the store runs it.
var Projection = projections.Projection{Name: "machine", Version: 1, Results: Results}
