package entry

import (
	"strings"
	"testing"
)

// BenchmarkRecord is one call of a thousand readings.
func BenchmarkRecord(b *testing.B) {
	const line = `{"kind":"reading.taken","done":"2026-03-02T09:05:00+01:00","site":"north-yard","machine":"nw-01","visit":"v1","by":"T2","body":{"quantity":"volume","value":180,"unit":"L","u":1,"method":"dip","moment":"arrival"}}`
	lines := strings.Repeat(line+"\n", 1000)
	b.SetBytes(int64(len(lines)))
	for b.Loop() {
		if _, err := newRig("tab-1", false).Record(strings.NewReader(lines)); err != nil {
			b.Fatal(err)
		}
	}
}
