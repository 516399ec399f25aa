//go:build race

package sim

// days is how long the runs of the tests are. The race detector makes them ten times slower, and all happens in one
// goroutine but for what the read model does beside it.
const days = 6
