package store

import (
	"context"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
)

// centre is the real broker, with RECORDS and those who use it.
type centre struct {
	t      testing.TB
	broker *broker.Broker
	source stream.Stream
	js     jetstream.JetStream // of the gate
}

func newCentre(t testing.TB) *centre {
	t.Helper()
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { keys.Close() })
	b, err := broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Trust: keys})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Shutdown)
	if err := b.EnsureStreams(soon(t)); err != nil {
		t.Fatal(err)
	}
	c := &centre{t: t, broker: b}
	if c.source, err = stream.Open(soon(t), c.connect(trust.Reader), wire.Records.Name); err != nil {
		t.Fatal(err)
	}
	if c.js, err = jetstream.New(c.connect(trust.GateCentre)); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *centre) connect(role trust.Role) *nats.Conn {
	c.t.Helper()
	nc, err := c.broker.Connect(role)
	if err != nil {
		c.t.Fatal(err)
	}
	return nc
}

func soon(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return ctx
}

// store puts messages into RECORDS, as the gate does.
func (c *centre) store(messages ...sent) {
	c.t.Helper()
	for _, m := range messages {
		if _, err := c.js.Publish(soon(c.t), wire.PushSubject(m.device), m.data); err != nil {
			c.t.Fatal(err)
		}
	}
}

const patience = 30 * time.Second

func byOffice(id events.DeviceID) bool { return id == "office-1" }

func config(dir string) Config {
	return Config{Dir: dir, Office: byOffice, Log: slog.New(slog.DiscardHandler)}
}
