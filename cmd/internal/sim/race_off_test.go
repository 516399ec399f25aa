//go:build !race

package sim

const days = 20
