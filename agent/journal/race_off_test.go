//go:build !race

package journal

const part = 1
