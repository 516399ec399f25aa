package publog_test

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust"
)

// pushes makes messages of n records each, of many devices in turn.
func pushes(messages, n, devices int) (all []*nats.Msg, plain int) {
	for i := range messages {
		d := events.DeviceID(fmt.Sprintf("tab-%d", i%devices))
		first := events.Seq(i/devices*n + 1)
		list := records(d, first, first+events.Seq(n)-1)
		for j := range list {
			list[j] = append(list[j], fmt.Sprintf("%0100d", i*n+j)...)
		}
		m := nats.NewMsg(wire.PushSubject(d))
		m.Data = stored(d, first, list)
		all = append(all, m)
	}
	return all, messages * n
}

// store publishes messages, some at a time, and waits until all are on the disk.
func (w *world) store(all []*nats.Msg, atATime int) time.Duration {
	w.t.Helper()
	js, err := jetstream.New(w.gate, jetstream.WithPublishAsyncMaxPending(atATime))
	if err != nil {
		w.t.Fatal(err)
	}
	began := time.Now()
	var last jetstream.PubAckFuture
	for _, m := range all {
		if last, err = js.PublishMsgAsync(m); err != nil {
			w.t.Fatal(err)
		}
	}
	<-js.PublishAsyncComplete()
	if last != nil {
		select {
		case err := <-last.Err():
			w.t.Fatal(err)
		default:
		}
	}
	return time.Since(began)
}

// BenchmarkBacklog: 5,000 devices have come back with 200 records each, all at once. How long is the log behind, beside
// bare synced publishes of the same bytes.
func BenchmarkBacklog(b *testing.B) {
	for b.Loop() {
		w := newWorld(b)
		all, n := pushes(5000, 200, 5000)
		w.store(all, 64)
		began := time.Now()
		c := w.open()
		c.has(5000)
		took := time.Since(began)
		messages := w.inLog()
		size := 0
		for _, m := range messages {
			size += len(m.Data)
		}
		info, err := os.Stat(filepath.Join(w.trust.LogDir(), "epoch-1.entries"))
		if err != nil {
			b.Fatal(err)
		}
		c.stop()
		bare := w.bare(messages)
		b.ReportMetric(float64(n)/took.Seconds(), "records/s")
		b.ReportMetric(took.Seconds(), "s")
		b.ReportMetric(float64(len(messages)), "messages")
		b.ReportMetric(took.Seconds()/bare.Seconds(), "times-bare")
		b.ReportMetric(float64(size)/float64(n), "B/record-in-LOG")
		b.ReportMetric(float64(info.Size())/float64(n), "B/record-in-file")
		w.stop()
	}
}

// bare publishes the data of messages to the stream ASIDE, one after the other.
func (w *world) bare(messages []jetstream.RawStreamMsg) time.Duration {
	w.t.Helper()
	js, err := jetstream.New(w.gate)
	if err != nil {
		w.t.Fatal(err)
	}
	began := time.Now()
	for _, m := range messages {
		if _, err := js.Publish(w.soon(), wire.AsideSubject("bare"), m.Data); err != nil {
			w.t.Fatal(err)
		}
	}
	return time.Since(began)
}

// BenchmarkPushes: one device pushes 1,000 records at a time, with and without a log that follows.
func BenchmarkPushes(b *testing.B) {
	for _, with := range []bool{false, true} {
		b.Run(fmt.Sprintf("log=%v", with), func(b *testing.B) {
			for b.Loop() {
				w := newWorld(b)
				var c *centre
				if with {
					c = w.open()
				}
				all, n := pushes(300, 1000, 1)
				took := w.store(all, 1)
				b.ReportMetric(float64(n)/took.Seconds(), "records/s")
				if with {
					began := time.Now()
					c.has(300)
					b.ReportMetric(time.Since(began).Seconds()*1000, "ms-behind")
					c.stop()
				}
				w.stop()
			}
		})
	}
}

// BenchmarkSmall: one record a push, which is what a log costs most.
func BenchmarkSmall(b *testing.B) {
	for b.Loop() {
		w := newWorld(b)
		c := w.open()
		all, n := pushes(20000, 1, 50)
		took := w.store(all, 64)
		c.has(20000)
		b.ReportMetric(float64(n)/took.Seconds(), "records/s")
		c.stop()
		conn, err := w.broker.Connect(trust.Logger)
		if err != nil {
			b.Fatal(err)
		}
		js, err := jetstream.New(conn)
		if err != nil {
			b.Fatal(err)
		}
		s, err := js.Stream(w.soon(), wire.Log.Name)
		if err != nil {
			b.Fatal(err)
		}
		state := s.CachedInfo().State
		b.ReportMetric(float64(state.Bytes)/float64(n), "B/record-in-LOG")
		b.ReportMetric(float64(state.Msgs), "messages")
		conn.Close()
		runtime.GC()
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		began := time.Now()
		c = w.open()
		b.ReportMetric(time.Since(began).Seconds()*1000, "ms-open")
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(int64(after.HeapAlloc)-int64(before.HeapAlloc))/20000, "B-memory/message")
		c.stop()
		w.stop()
	}
}
