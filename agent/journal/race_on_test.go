//go:build race

package journal

// part is how much of the long tests runs: one in so many. The race detector makes them ten times slower, and looks
// for races, of which they have few; all of each runs without it.
const part = 4
