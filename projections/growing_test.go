package projections_test

import (
	"encoding/json"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ullage/projections"
	"ullage/projections/internal/story"
)

// In whatever pieces and order records come in, a Growing is what Resolve makes of them at once.
func TestGrowing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arrivals := rapid.Permutation(story.Random(t)).Draw(t, "order")
		arrivals = append(arrivals, rapid.SliceOfN(rapid.SampledFrom(arrivals), 0, 3).Draw(t, "repeats")...)
		var g projections.Growing
		for from := 0; from < len(arrivals); {
			to := rapid.IntRange(from+1, len(arrivals)).Draw(t, "piece")
			var piece []*projections.Arrival
			for i := from; i < to; i++ {
				piece = append(piece, &arrivals[i])
			}
			before := slices.Clone(g.History.Facts)
			same := g.Add(piece...)
			want := projections.Resolve(arrivals[:to], projections.Now)
			if got, want := shown(t, g.History), shown(t, want); got != want {
				t.Fatalf("got\n%s\nwant\n%s", got, want)
			}
			if same > len(before) || same > 0 && shown(t, before[:same]) != shown(t, g.History.Facts[:same]) {
				t.Fatalf("the first %d of %d facts are not the same", same, len(before))
			}
			from = to
		}
	})
}

func shown(t *rapid.T, x any) string {
	b, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func BenchmarkGrowing(b *testing.B) {
	tab := &story.Teller{Device: "tab-1"}
	var all []projections.Arrival
	for range 500 {
		all = append(all, tab.Tell("2026-03-02T09:00:00Z", story.On{Machine: "nw-01"}, story.Volume("arrival", 100)))
		c := projections.Read(all[len(all)-1].Record.Kind, 1, all[len(all)-1].Record.Body)
		all[len(all)-1].Content = &c
	}
	b.Run("pieces of 25", func(b *testing.B) {
		for b.Loop() {
			var g projections.Growing
			for i := range all {
				if i%25 == 0 {
					var piece []*projections.Arrival
					for j := i; j < i+25; j++ {
						piece = append(piece, &all[j])
					}
					g.Add(piece...)
				}
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/500, "ns/record")
	})
	b.Run("resolved anew", func(b *testing.B) {
		for b.Loop() {
			for i := range all {
				if i%25 == 0 {
					projections.Resolve(all[:i+25], projections.Now)
				}
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/500, "ns/record")
	})
}
