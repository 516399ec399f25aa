package projections

import "math/bits"

// set is a set of small numbers, a bit each.
type set []uint64

func newSet(n int) set { return make(set, (n+63)/64) }

func (s set) add(i int)      { s[i/64] |= 1 << (i % 64) }
func (s set) drop(i int)     { s[i/64] &^= 1 << (i % 64) }
func (s set) has(i int) bool { return s[i/64]>>(i%64)&1 == 1 }

func (s set) join(t set) {
	for k := range s {
		s[k] |= t[k]
	}
}

// meet is what both hold.
func (s set) meet(t set) set {
	m := make(set, len(s))
	for k := range s {
		m[k] = s[k] & t[k]
	}
	return m
}

// without is what s holds and t does not.
func (s set) without(t set) set {
	m := make(set, len(s))
	for k := range s {
		m[k] = s[k] &^ t[k]
	}
	return m
}

func (s set) empty() bool {
	for _, w := range s {
		if w != 0 {
			return false
		}
	}
	return true
}

// list is what s holds, ascending.
func (s set) list() []int {
	var all []int
	for k, w := range s {
		for ; w != 0; w &= w - 1 {
			all = append(all, k*64+bits.TrailingZeros64(w))
		}
	}
	return all
}
