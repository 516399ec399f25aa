package wire_test

import (
	"fmt"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// Budgets of the scenario, in bytes a record.
const (
	mostOnWire = 35 // of squeezed records; the design allows 45, and aims at 30
	mostStored = 90 // of the data of messages, commit records included; the design allows 100, with what LOG adds
)

// TestSize holds the scenario's pushes to their budgets, and tells what each step brings.
func TestSize(t *testing.T) {
	for _, worked := range []bool{false, true} {
		var records, office, list, plain, folded, ofOffice, stored, frames int
		for _, p := range play(t, worked) {
			l := listOf(p.records)
			z := wire.Squeeze(l)
			records += len(p.records)
			list += len(l)
			plain += len(wire.SqueezePlain(l))
			folded += len(z)
			if p.device == "office-1" {
				office += len(p.records)
				ofOffice += len(z)
			}
			frames += len(wire.PushRequest{First: p.first, Link: p.link, Seals: p.seals, Data: z}.Encode())
			random := sum(fmt.Sprint(p.device, p.first))
			last := p.first + events.Seq(len(p.records)) - 1
			stored += len(wire.EncodeStored(&wire.Commit{
				Device: p.device, Seq: last, Link: sum("link"), Range: wire.Range{From: p.first, To: last}, Seals: p.seals, Key: p.key, Gate: "gate-1", Received: 1772439000123,
				Nonce: [16]byte(random[:16]),
			}, p.records))
		}
		if records == 0 || office == 0 {
			t.Fatal("the scenario brings nothing")
		}
		per := func(n int) float64 { return float64(n) / float64(records) }
		t.Logf("each line by itself: %v. %d records: as they are %.1f bytes each, zstd alone %.1f, squeezed %.1f (those of devices %.1f, of the office %.1f), with the push's frame %.1f, stored %.1f",
			worked, records, per(list), per(plain), per(folded), float64(folded-ofOffice)/float64(records-office), float64(ofOffice)/float64(office), per(frames), per(stored))
		if got := per(folded); got > mostOnWire {
			t.Errorf("%.1f bytes a record on the wire, at most %d are meant to be", got, mostOnWire)
		}
		if got := per(stored); got > mostStored {
			t.Errorf("%.1f bytes a record stored, at most %d are meant to be", got, mostStored)
		}
	}
}

// bigList repeats the scenario's longest push until there are n records.
func bigList(t testing.TB, n int) []byte {
	var longest push
	for _, p := range play(t, true) {
		if len(p.records) > len(longest.records) {
			longest = p
		}
	}
	var list []byte
	for i := range n {
		list = wire.AppendPiece(list, longest.records[i%len(longest.records)])
	}
	return list
}

func BenchmarkSqueeze(b *testing.B) {
	benchmark(b, wire.Squeeze, func(list []byte) []byte { return list })
}

func BenchmarkExpand(b *testing.B) {
	benchmark(b, func(z []byte) []byte {
		list, err := wire.Expand(z, wire.MaxPlain)
		if err != nil {
			b.Fatal(err)
		}
		return list
	}, wire.Squeeze)
}

func benchmark(b *testing.B, f, prepare func([]byte) []byte) {
	for _, n := range []int{40, 200} {
		in := prepare(bigList(b, n))
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				f(in)
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "records/s")
		})
	}
}
