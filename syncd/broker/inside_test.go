package broker

import (
	"bytes"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/events/wire"
	"ullage/syncd/trust"
)

// What the server was told, as it understood it: no other test would see a write that is confirmed before it is synced.
func TestServerSyncsAlways(t *testing.T) {
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	b, err := Start(Config{Dir: filepath.Join(dir, "streams"), Trust: keys})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Shutdown()
	if c := b.srv.JetStreamConfig(); c == nil || !c.SyncAlways || !strings.HasPrefix(c.StoreDir, filepath.Join(dir, "streams")) {
		t.Errorf("JetStream runs with %+v", c)
	}
	v, err := b.srv.Varz(nil)
	if err != nil || v.MaxPayload != MaxPayload || v.Host != "127.0.0.1" || v.HTTPPort != 0 || v.Cluster.Port != 0 || v.LeafNode.Port != 0 {
		t.Errorf("the server runs with %+v, %v", v, err)
	}
	if !options(Config{Trust: keys}).DisableShortFirstPing {
		t.Error("a ping of the server's may overtake its answer to a device that connects")
	}
	if MaxPayload < wire.MaxMessage+4<<10 {
		t.Errorf("a message of RECORDS and its headers do not fit into %d", MaxPayload)
	}
}

func TestLogIsBounded(t *testing.T) {
	var out bytes.Buffer
	now := time.Unix(1_900_000_000, 0)
	l := newServerLog(slog.New(slog.NewTextHandler(&out, nil)), func() time.Time { return now })
	for i := range 1000 {
		l.Errorf("line %d", i)
		l.Noticef("never seen")
	}
	if n := strings.Count(out.String(), "\n"); n != maxLines {
		t.Errorf("%d lines in a second", n)
	}
	out.Reset()
	now = now.Add(time.Second)
	l.Warnf("later")
	if s := out.String(); !strings.Contains(s, "later") || !strings.Contains(s, fmt.Sprintf("lines=%d", 1000-maxLines)) {
		t.Errorf("a second later: %s", s)
	}
}

func TestLogOfTheEnd(t *testing.T) {
	var out bytes.Buffer
	l := newServerLog(slog.New(slog.NewTextHandler(&out, nil)), time.Now)
	l.Fatalf("no %s", "disk")
	l.Fatalf("nothing either")
	if l.fatal() != "no disk" || out.Len() > 0 {
		t.Errorf("while starting: %q, log %s", l.fatal(), &out)
	}
	l.started()
	l.Fatalf("later")
	if !strings.Contains(out.String(), "later") {
		t.Errorf("while running: log %s", &out)
	}
}
