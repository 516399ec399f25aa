package ledger

import (
	"testing"
	"time"
)

// BenchmarkFold folds four years of weekly visits with three flows each. In the worse case every flow is told after the
// last dip of its visit, so that each has to be tried on both sides of it.
func BenchmarkFold(b *testing.B) {
	for _, late := range []string{"09:00", "11:00"} {
		b.Run(late, func(b *testing.B) {
			s := newTale(nil)
			day := time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC)
			for i := range 200 {
				on := day.AddDate(0, 0, 7*i).Format(time.DateOnly) + "T"
				visit := byte(i + 1)
				s.on(on+"08:00:00Z", visit, volume("arrival", 100, 1))
				s.on(on+"10:00:00Z", visit, volume("departure", 110, 1))
				s.on(on+late+":01Z", visit, fresh(8, 0.5))
				s.on(on+late+":02Z", visit, fresh(7, 0.5))
				s.on(on+late+":03Z", visit, taken(5, 0.5))
			}
			in := input(s.machine, s.all)
			b.ResetTimer()
			for range b.N {
				Fold(in)
			}
			folded := b.Elapsed()
			for range b.N {
				Results(in)
			}
			per := float64(b.N) * float64(len(s.all))
			b.ReportMetric(float64(folded.Nanoseconds())/per, "fold-ns/record")
			b.ReportMetric(float64((b.Elapsed()-folded).Nanoseconds())/per, "results-ns/record")
		})
	}
}
