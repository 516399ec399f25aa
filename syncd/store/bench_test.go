package store

import (
	"context"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/syncd/trust"
)

// BenchmarkRebuild builds the whole read model of a company from the real broker, beside a bare replay that only
// decodes every record. The budget: at least 0.3 of the bare rate, and 100,000 records a second on two cores.
func BenchmarkRebuild(b *testing.B) {
	company := run(b, 100_000, 20)
	n := company.records()
	b.Logf("%d records in %d messages", n, len(company.messages))
	c := newCentre(b)
	for _, m := range company.messages {
		if _, err := c.js.PublishAsync(wire.PushSubject(m.device), m.data); err != nil {
			b.Fatal(err)
		}
	}
	<-c.js.PublishAsyncComplete()
	s, err := Open(config(b.TempDir()))
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	var bare, full, bareCPU, fullCPU time.Duration
	b.ResetTimer()
	for range b.N {
		start, cpu := time.Now(), used()
		if got := c.replay(b, uint64(len(company.messages))); got != n {
			b.Fatalf("%d records, want %d", got, n)
		}
		bare, bareCPU = bare+time.Since(start), bareCPU+used()-cpu
		start, cpu = time.Now(), used()
		if err := s.Rebuild(context.Background(), c.source, nil); err != nil {
			b.Fatal(err)
		}
		full, fullCPU = full+time.Since(start), fullCPU+used()-cpu
	}
	total := float64(n) * float64(b.N)
	b.ReportMetric(total/bare.Seconds(), "bare-records/s")
	b.ReportMetric(total/full.Seconds(), "records/s")
	b.ReportMetric(bare.Seconds()/full.Seconds(), "ratio")
	b.ReportMetric(bareCPU.Seconds()*1e6/total, "bare-cpu-us/record")
	b.ReportMetric(fullCPU.Seconds()*1e6/total, "cpu-us/record")
}

// used is the processor's time that this process has taken.
func used() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// replay reads and decodes everything, and keeps nothing.
func (c *centre) replay(t testing.TB, last uint64) (records int) {
	t.Helper()
	ctx := context.Background()
	js, err := jetstream.New(c.connect(trust.Reader))
	if err != nil {
		t.Fatal(err)
	}
	all, err := js.Stream(ctx, wire.Records.Name)
	if err != nil {
		t.Fatal(err)
	}
	consumer, err := all.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{})
	if err != nil {
		t.Fatal(err)
	}
	in, err := consumer.Messages(jetstream.PullMaxMessages(512))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Stop()
	for range last {
		m, err := in.Next(jetstream.NextContext(ctx))
		if err != nil {
			t.Fatal(err)
		}
		_, raws, err := wire.DecodeStored(m.Data())
		if err != nil {
			t.Fatal(err)
		}
		for _, raw := range raws {
			r, err := events.DecodeRecord(raw)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := events.DecodeBody(r.Kind, r.V, r.Body); err != nil {
				t.Fatal(err)
			}
			records++
		}
	}
	return records
}

// BenchmarkWitness tells what stands about all records of a company, beside the audit of everything that it belongs to.
func BenchmarkWitness(b *testing.B) {
	company := run(b, 20_000, 20)
	log := newBook()
	for _, p := range company.pads { // as often as a session would
		for n := range 200 {
			p.write(began.Add(time.Duration(n)*time.Minute), on{}, saw(log.at(1+n%longAgo)))
		}
		for p.waits() > 0 {
			company.push(p, min(p.waits(), 200), began.AddDate(1, 0, 0))
		}
	}
	log.take(company.messages)
	log.Newest() // which a real log has at hand
	s, e := opened(b, b.TempDir())
	defer s.Close()
	defer e.close()
	for _, m := range company.messages {
		if err := e.apply([]*message{m.read(b)}); err != nil {
			b.Fatal(err)
		}
	}
	var bare, full time.Duration
	n := 0
	b.ResetTimer()
	for range b.N {
		start := time.Now()
		h, _, err := s.Audit(context.Background(), audit.Query{}, projections.Now)
		if err != nil {
			b.Fatal(err)
		}
		bare += time.Since(start)
		start = time.Now()
		if _, err := s.Witness(context.Background(), log, h.All); err != nil {
			b.Fatal(err)
		}
		full, n = full+time.Since(start), n+len(h.All)
	}
	b.ReportMetric(bare.Seconds()*1e6/float64(n), "audit-us/record")
	b.ReportMetric(full.Seconds()*1e6/float64(n), "witness-us/record")
	b.ReportMetric(full.Seconds()/bare.Seconds(), "ratio")
}
