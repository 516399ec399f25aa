// Package list names the projections, one line each. Whoever runs them all, such as the read model, reads it here.
package list

import (
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/ledger"
	"ullage/projections/machine"
)

// All are the projections, in the order in which they are run.
var All = []projections.Projection{
	machine.Projection,
	ledger.Projection,
	audit.Projection,
}
