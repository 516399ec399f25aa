package journal

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// bare is the plain way to keep bytes: write behind the last ones, fdatasync.
type bare struct {
	f    disk.File
	off  int64
	room int64 // begin again there; 0 for never
}

func newBare(b *testing.B, room int64) *bare {
	b.Helper()
	f, err := disk.OS{}.Create(filepath.Join(b.TempDir(), "bare"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { f.Close() })
	if room > 0 {
		if _, err := f.WriteAt(make([]byte, room), 0); err != nil {
			b.Fatal(err)
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
	return &bare{f: f, room: room}
}

func (w *bare) write(b *testing.B, p []byte) {
	if _, err := w.f.WriteAt(p, w.off); err != nil {
		b.Fatal(err)
	}
	if err := w.f.Sync(); err != nil {
		b.Fatal(err)
	}
	if w.off += int64(len(p)); w.room > 0 && w.off+int64(len(p)) > w.room {
		w.off = 0
	}
}

func median(d []time.Duration) float64 {
	slices.Sort(d)
	return float64(d[len(d)/2])
}

// BenchmarkAppend compares a durable append, its building and checking included, with writing and syncing the same
// bytes: appended to a file, and into a file that was written before ("zeroed"). The three take turns, so that they see
// the same disk.
func BenchmarkAppend(b *testing.B) {
	for _, n := range []int{1, 20} {
		b.Run(fmt.Sprintf("records=%d", n), func(b *testing.B) {
			cfg := Config{Dir: b.TempDir()}
			if err := Create(cfg, testDevice, testKey); err != nil {
				b.Fatal(err)
			}
			j, _, err := Open(cfg)
			if err != nil {
				b.Fatal(err)
			}
			defer j.Close()
			grown, zeroed := newBare(b, 0), newBare(b, 16<<20)
			var ours, grows, zeros []time.Duration
			timed := func(to *[]time.Duration, f func()) {
				start := time.Now()
				f()
				*to = append(*to, time.Since(start))
			}
			for b.Loop() {
				frames, _ := records(n, 1, 60)(j.Head())
				var all []byte
				for _, f := range frames {
					all = append(all, f.Payload...)
				}
				turns := []func(){
					func() { timed(&grows, func() { grown.write(b, all) }) },
					func() { timed(&zeros, func() { zeroed.write(b, all) }) },
					func() {
						timed(&ours, func() { mustAppend(b, j, func(events.Head) ([]Frame, error) { return frames, nil }) })
					},
				}
				first := len(ours)
				for i := range turns { // each comes first as often as the others
					turns[(i+first)%len(turns)]()
				}
			}
			m := median(ours)
			b.ReportMetric(m, "append-ns")
			b.ReportMetric(m/median(grows), "ratio-to-bare")
			b.ReportMetric(m/median(zeros), "ratio-to-zeroed-bare")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// long makes a journal of n records, without a sync for each of them, whose last segment is then filled to the
// same degree, so that lengths are compared and not the luck of the last segment.
func long(b *testing.B, n int) Config {
	b.Helper()
	cfg := Config{Dir: b.TempDir()}
	if err := Create(cfg, testDevice, testKey); err != nil {
		b.Fatal(err)
	}
	j, _, err := Open(cfg)
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	for int(j.Head().Seq) < n {
		mustAppend(b, j, records(min(1000, n-int(j.Head().Seq)), 1, 60))
	}
	for segs := len(j.segs); len(j.segs) == segs; {
		mustAppend(b, j, records(100, 1, 60))
	}
	for j.end < DefaultSegmentBytes/2 {
		mustAppend(b, j, records(100, 1, 60))
	}
	return cfg
}

// BenchmarkLength compares a journal of 1,000,000 records with one of 10,000: opening, an append, looking up an id and
// a key that are there, and a key that is not. It also tells how much memory the long one takes when it is open.
func BenchmarkLength(b *testing.B) {
	if testing.Short() {
		b.Skip("it makes a million records")
	}
	type sample struct{ open, appends, id, key, noKey []time.Duration }
	cfgs := [2]Config{long(b, 10_000), long(b, 1_000_000)}
	var got [2]sample
	var heap uint64
	timed := func(to *[]time.Duration, f func()) {
		start := time.Now()
		f()
		*to = append(*to, time.Since(start))
	}
	round := 0
	for b.Loop() {
		round++
		var js [2]*Journal
		for k := range 2 { // each comes first as often as the other
			i := (k + round) % 2
			timed(&got[i].open, func() { js[i], _ = mustOpen(b, cfgs[i]) })
		}
		for k := range 100 {
			i := (k + k/2) % 2
			timed(&got[i].appends, func() { mustAppend(b, js[i], records(1, 1, 60)) })
		}
		for i, j := range js {
			s := &got[i]
			for k := range 50 {
				seq := events.Seq(rand.Uint64N(uint64(j.Head().Seq))) + 1
				record, err := j.Record(seq)
				if err != nil {
					b.Fatal(err)
				}
				r, _ := events.DecodeRecord(record)
				timed(&s.id, func() {
					if _, _, ok, err := j.ByID(r.ID); !ok || err != nil {
						b.Fatal(ok, err)
					}
				})
				timed(&s.key, func() { _, _, _, _ = j.ByKey(keyOf(seq - seq%3)) })
				timed(&s.noKey, func() { _, _, _, _ = j.ByKey(fmt.Sprint("none", k)) })
			}
		}
		runtime.GC()
		var ms runtime.MemStats
		runtime.ReadMemStats(&ms)
		heap = max(heap, ms.HeapAlloc)
		mustClose(b, js[0])
		mustClose(b, js[1])
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median(got[1].open)/median(got[0].open), "open-ratio")
	b.ReportMetric(median(got[1].open)/1e6, "open-ms")
	b.ReportMetric(median(got[1].appends)/median(got[0].appends), "append-ratio")
	b.ReportMetric(median(got[1].id)/1e3, "by-id-µs")
	b.ReportMetric(median(got[1].key)/1e3, "by-key-µs")
	b.ReportMetric(median(got[1].noKey)/1e3, "no-key-µs")
	b.ReportMetric(float64(heap)/1e6, "heap-MB")
}

// BenchmarkMemory tells the resident memory of a process that has opened a journal of 100,000 records, looked things
// up in it and scanned it. It must be run by itself.
func BenchmarkMemory(b *testing.B) {
	cfg := long(b, 100_000)
	for b.Loop() {
		j, _ := mustOpen(b, cfg)
		for k := range 100 {
			_, _, _, _ = j.ByKey(keyOf(events.Seq(3 * 331 * k)))
		}
		if err := j.Scan(1, func(events.Seq, []byte) error { return nil }); err != nil {
			b.Fatal(err)
		}
		mustClose(b, j)
	}
	b.ReportMetric(residentMB(), "resident-MB")
}

// residentMB is the resident memory of this process, 0 where the system does not tell.
func residentMB() float64 {
	data, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var size, resident int
	if _, err := fmt.Sscan(string(data), &size, &resident); err != nil {
		return 0
	}
	return float64(resident*os.Getpagesize()) / 1e6
}
