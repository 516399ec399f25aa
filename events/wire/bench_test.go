package wire_test

import (
	"fmt"
	"runtime"
	"testing"

	"ullage/events/wire"
)

// bigPush is a list of n records, those of the scenario's longest push over and over.
func bigPush(t testing.TB, n int) (list []byte, records [][]byte) {
	var longest push
	for _, p := range play(t, true) {
		if len(p.records) > len(longest.records) {
			longest = p
		}
	}
	for i := range n {
		records = append(records, longest.records[i%len(longest.records)])
		list = wire.AppendPiece(list, records[i])
	}
	return list, records
}

func BenchmarkSqueeze(b *testing.B) {
	for _, n := range []int{40, 200, 1000} {
		list, _ := bigPush(b, n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				wire.Squeeze(list)
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "records/s")
			b.ReportMetric(float64(len(wire.Squeeze(list)))/float64(n), "B/record")
		})
	}
}

func BenchmarkExpand(b *testing.B) {
	for _, n := range []int{40, 200, 1000} {
		list, _ := bigPush(b, n)
		z := wire.Squeeze(list)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				if _, err := wire.Expand(z, wire.MaxPlain); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "records/s")
		})
	}
}


func TestMem(t *testing.T) {
	list, _ := bigPush(t, 1000)
	var a, c runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&a)
	z := wire.Squeeze(list)
	runtime.ReadMemStats(&c)
	t.Log("squeeze took", (c.TotalAlloc-a.TotalAlloc)>>10, "KiB, holds", (int64(c.HeapAlloc)-int64(a.HeapAlloc))>>10)
	runtime.GC()
	runtime.ReadMemStats(&c)
	t.Log("keeps", (int64(c.HeapAlloc)-int64(a.HeapAlloc))>>10)
	runtime.ReadMemStats(&a)
	wire.Expand(z, wire.MaxPlain)
	runtime.ReadMemStats(&c)
	t.Log("expand took", (c.TotalAlloc-a.TotalAlloc)>>10)
}
