package bench

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/agent"
	"ullage/cmd/internal/desk"
	"ullage/cmd/internal/officecli"
	"ullage/events/wire"
	"ullage/syncd"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
)

const backlog = 100_000

// startCentre runs a centre in this process until the benchmark ends.
func startCentre(b *testing.B) (addresses syncd.Addresses, dir string, stop func()) {
	b.Helper()
	dir = filepath.Join(b.TempDir(), "centre")
	log := slog.New(slog.DiscardHandler)
	ctx, cancel := context.WithCancel(context.Background())
	c, err := syncd.Open(ctx, syncd.Config{Dir: dir, Log: log, OpenDesk: desk.Opener(log)})
	if err != nil {
		b.Fatal(err)
	}
	ready := make(chan syncd.Addresses, 1)
	done := make(chan error, 1)
	go func() {
		done <- c.Serve(ctx, func(a syncd.Addresses, _ string) { ready <- a })
	}()
	select {
	case addresses = <-ready:
	case err := <-done:
		b.Fatal(err)
	}
	return addresses, dir, func() {
		cancel()
		if err := errors.Join(<-done, c.Close()); err != nil {
			b.Error(err)
		}
	}
}

// record writes n records of visits to forty machines: readings, flows and notes, twenty a visit.
func record(b *testing.B, d *agent.Device, n int) {
	b.Helper()
	for at := 0; at < n; {
		var lines strings.Builder
		for k := 0; k < 1000 && at < n; k, at = k+1, at+1 {
			visit := at / 20
			minute := at % 20 * 2
			who := fmt.Sprintf(`"done":"2026-%02d-%02dT%02d:%02d:00+01:00","site":"site-%d","machine":"m-%d","visit":"v%d","by":"T1"`,
				1+visit/20/28%12, 1+visit/20%28, 7+visit%10, minute, visit%8, visit%40, visit)
			switch at % 20 {
			case 0:
				fmt.Fprintf(&lines, `{"kind":"work.started",%s,"body":{"found_by":"scan"}}`, who)
			case 1, 18:
				moment := map[int]string{1: "arrival", 18: "departure"}[at%20]
				fmt.Fprintf(&lines, `{"kind":"reading.taken",%s,"body":{"quantity":"volume","value":%d,"unit":"L","u":1,"method":"dip","moment":"%s"}}`, who, 150+at*7%40, moment)
			case 2, 3, 4:
				fmt.Fprintf(&lines, `{"kind":"reading.taken",%s,"body":{"quantity":"ph","value":%d.%d,"method":"strip","moment":"working"}}`, who, 7+at%3, at%10)
			case 5, 6:
				fmt.Fprintf(&lines, `{"kind":"fluid.removed",%s,"body":{"from":"bath","to":"p-%d","what":"sludge","volume":%d,"u":0.25}}`, who, at%60, 3+at%9)
			case 7, 8:
				fmt.Fprintf(&lines, `{"kind":"fluid.added",%s,"body":{"from":"van","to":"bath","product":"BF-A","volume":%d,"u":0.25}}`, who, 5+at%20)
			case 19:
				fmt.Fprintf(&lines, `{"kind":"work.ended",%s,"body":{"outcome":"complete"}}`, who)
			default:
				fmt.Fprintf(&lines, `{"kind":"task.done",%s,"body":{"task":"task-%d"}}`, who, at%20)
			}
			lines.WriteByte('\n')
		}
		if _, err := d.Record(context.Background(), strings.NewReader(lines.String())); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBacklog syncs 100,000 records of one device, verified and durable, and then publishes the same messages to a
// bare broker with the same settings, one after the other, each synced. Budget: at least 0.35 of the bare rate, and
// 100,000 records a second; at most 100 bytes stored a record.
func BenchmarkBacklog(b *testing.B) {
	for b.Loop() {
		ctx := context.Background()
		addresses, dir, stop := startCentre(b)
		code, err := enrolCode(dir)
		if err != nil {
			b.Fatal(err)
		}
		home := filepath.Join(b.TempDir(), "device")
		if _, err := agent.Enrol(ctx, home, addresses.Enrol, code, agent.Config{}); err != nil {
			b.Fatal(err)
		}
		d, err := agent.Open(ctx, home, agent.Config{})
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		record(b, d, backlog)
		kept := time.Since(began)

		began = time.Now()
		if _, err := d.Sync(ctx, nil); err != nil {
			b.Fatal(err)
		}
		synced := time.Since(began)
		if s, err := d.Status(); err != nil || s.Waiting != 0 || s.Received < backlog { // and what the device writes of itself
			b.Fatalf("status %+v, %v", s, err)
		}
		if err := d.Close(); err != nil {
			b.Fatal(err)
		}
		stop()

		messages, bytes := stored(b, dir)
		bare := publish(b, messages)
		rate, bareRate := backlog/synced.Seconds(), backlog/bare.Seconds()
		b.ReportMetric(rate, "records/s")
		b.ReportMetric(bareRate, "bare-records/s")
		b.ReportMetric(rate/bareRate, "of-bare")
		b.ReportMetric(float64(bytes)/backlog, "stored-B/record")
		b.ReportMetric(backlog/kept.Seconds(), "kept/s")
		b.ReportMetric(float64(len(messages)), "pushes")
	}
}

// stored reads the messages of the device in RECORDS, and what that stream and LOG take on disk.
func stored(b *testing.B, dir string) (messages [][]byte, bytes uint64) {
	b.Helper()
	ctx := context.Background()
	br, reader := openBroker(b, dir, trust.Logger)
	defer br.close()
	js, err := jetstream.New(reader)
	if err != nil {
		b.Fatal(err)
	}
	stream, err := js.Stream(ctx, wire.Records.Name)
	if err != nil {
		b.Fatal(err)
	}
	state := stream.CachedInfo().State
	for seq := state.FirstSeq; seq <= state.LastSeq; seq++ {
		m, err := stream.GetMsg(ctx, seq)
		if err != nil {
			b.Fatal(err)
		}
		if strings.HasPrefix(m.Subject, wire.PushSubject("tab")) {
			messages = append(messages, m.Data)
		}
	}
	log, err := js.Stream(ctx, wire.Log.Name)
	if err != nil {
		b.Fatal(err)
	}
	return messages, state.Bytes + log.CachedInfo().State.Bytes
}

// publish stores the messages in a broker of their own, one after the other.
func publish(b *testing.B, messages [][]byte) time.Duration {
	b.Helper()
	br, nc := openBroker(b, filepath.Join(b.TempDir(), "bare"), trust.GateCentre)
	defer br.close()
	began := time.Now()
	for _, data := range messages {
		m := nats.NewMsg(wire.PushSubject("bare"))
		m.Data = data
		reply, err := nc.RequestMsg(m, 10*time.Second)
		if err != nil || strings.Contains(string(reply.Data), `"error"`) {
			b.Fatalf("publish: %v %s", err, reply.Data)
		}
	}
	return time.Since(began)
}

type bareBroker struct {
	trust  *trust.Trust
	broker *broker.Broker
}

func (x bareBroker) close() {
	x.broker.Shutdown()
	x.trust.Close()
}

func openBroker(b *testing.B, dir string, role trust.Role) (bareBroker, *nats.Conn) {
	b.Helper()
	t, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		b.Fatal(err)
	}
	br, err := broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Trust: t})
	if err != nil {
		b.Fatal(err)
	}
	if err := br.EnsureStreams(context.Background()); err != nil {
		b.Fatal(err)
	}
	nc, err := br.Connect(role)
	if err != nil {
		b.Fatal(err)
	}
	return bareBroker{t, br}, nc
}

// enrolCode asks the office for a code, as its command does.
func enrolCode(dir string) (string, error) {
	var out, words strings.Builder
	if officecli.Main([]string{"enrol", "tab", "--dir", dir}, strings.NewReader(""), &out, &words) != 0 {
		return "", errors.New(words.String())
	}
	return strings.TrimSpace(out.String()), nil
}
