package wire_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/wire"
)

// Ranges are sets of numbers: against a map of them.
func TestRanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var lists [2]wire.Ranges
		var sets [2]map[events.Seq]bool
		for i := range lists {
			sets[i] = map[events.Seq]bool{}
			for range rapid.IntRange(0, 12).Draw(t, "ranges") {
				from := events.Seq(rapid.IntRange(1, 60).Draw(t, "from"))
				r := wire.Range{From: from, To: from + events.Seq(rapid.IntRange(0, 9).Draw(t, "more"))}
				lists[i].Add(r)
				for n := r.From; n <= r.To; n++ {
					sets[i][n] = true
				}
			}
		}
		check := func(what string, list wire.Ranges, has func(events.Seq) bool) {
			var want wire.Ranges
			for n := events.Seq(1); n < 80; n++ {
				if !has(n) {
					continue
				}
				if k := len(want); k > 0 && want[k-1].To == n-1 {
					want[k-1].To = n
				} else {
					want = append(want, wire.Range{From: n, To: n})
				}
			}
			if !slices.Equal(list, want) {
				t.Fatalf("%s: %v, want %v", what, list, want)
			}
		}
		check("added", lists[0], func(n events.Seq) bool { return sets[0][n] })
		check("without", lists[0].Without(lists[1]), func(n events.Seq) bool { return sets[0][n] && !sets[1][n] })
	})
}
