package agent_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

func TestStops(t *testing.T) {
	for what, want := range map[fault]agent.StopKind{isFork: agent.StopFork, isRefuse: agent.StopRefused, forged: agent.StopGate, mistaken: agent.StopGate} {
		t.Run(string(what), func(t *testing.T) {
			c := newCentre(t)
			dir := enrolled(t, c)
			d := opened(t, dir, config())
			record(t, d, visit(3))
			c.failing(func(_ int, verb wire.Verb) fault {
				if verb == wire.Push {
					return what
				}
				return fine
			})
			begun := time.Now()
			_, err := d.Sync(t.Context(), nil)
			var stop *agent.Stop
			if !errors.As(err, &stop) || stop.Kind != want {
				t.Fatalf("Sync: %v, want a stop of kind %s", err, want)
			}
			if time.Since(begun) > 5*time.Second {
				t.Errorf("it took %v to give up", time.Since(begun))
			}
			s, err := agent.Look(dir)
			if what == isFork && err == nil { // and goes on under another name
				s = s.Before[0]
			}
			if err != nil || s.Received != 0 || s.Waiting != 5 || len(s.Alarms) != 1 || s.Why == nil || *s.Why != s.Alarms[0] {
				t.Errorf("status: %+v, %v", s, err)
			}
			if what == isRefuse && !strings.Contains(s.Alarms[0], "record 2: it smells") {
				t.Errorf("alarm %q", s.Alarms[0])
			}
			c.failing(nil)
			if what != isFork {
				drained(t, c, d) // the alarm is over with the reason for it
			}
		})
	}
}

func TestWithoutProgressSyncEnds(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	cfg := config()
	cfg.Patience = time.Second
	d := opened(t, dir, cfg)
	record(t, d, visit(1))
	c.failing(func(_ int, verb wire.Verb) fault {
		if verb == wire.Push {
			return stranger
		}
		return fine
	})
	_, err := d.Sync(t.Context(), nil)
	var waiting *agent.Waiting
	if !errors.As(err, &waiting) || !strings.Contains(err.Error(), "gate-9") {
		t.Fatalf("Sync: %v", err)
	}
}

// TestSyncEndsInTime has a centre that takes connections and says nothing.
func TestSyncEndsInTime(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	path := filepath.Join(dir, "device.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b = []byte(strings.ReplaceAll(string(b), strings.TrimPrefix(c.nats.ClientURL(), "tls://"), mute.Addr().String()))
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := config()
	cfg.Patience = 300 * time.Millisecond
	d := opened(t, dir, cfg)
	record(t, d, visit(1))
	begun := time.Now()
	var waiting *agent.Waiting
	if _, err := d.Sync(t.Context(), nil); !errors.As(err, &waiting) {
		t.Fatalf("Sync: %v", err)
	}
	if took := time.Since(begun); took > 3*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestRevokedEndsAtOnce(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	record(t, d, visit(1))
	c.with(func(k *copied) { k.revoked = true })
	_, err := d.Sync(t.Context(), nil)
	if err == nil || !strings.Contains(err.Error(), "revoked") {
		t.Fatalf("Sync: %v", err)
	}
}

func TestForkInHistory(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	copyOf := copyFolder(t, dir)
	d := opened(t, dir, config())
	record(t, d, visit(3))
	drained(t, c, d)
	c.mu.Lock()
	c.verbs = nil
	c.mu.Unlock()
	for _, n := range []int{1, 3, 9} { // fewer records than the centre has, as many, more
		folder := copyFolder(t, copyOf)
		other := opened(t, folder, config())
		record(t, other, visit(n))
		c.mu.Lock()
		c.verbs = nil
		c.mu.Unlock()
		_, err := other.Sync(t.Context(), nil)
		var stop *agent.Stop
		if !errors.As(err, &stop) || stop.Kind != agent.StopFork {
			t.Fatalf("Sync of a copy with other records: %v", err)
		}
		// Nothing of it is pushed, also where only the device can know, because it has more records than the centre. What it
		// holds is brought all the same, whole, and once.
		head := status(t, other).Head
		c.mu.Lock()
		if slices.Contains(c.verbs, wire.Push) {
			t.Errorf("with %d records more a copy pushed: %v", n, c.verbs)
		}
		c.mu.Unlock()
		c.with(func(k *copied) {
			if k.branch.link.String() != head.Link || len(k.branch.records) != int(head.Seq) {
				t.Errorf("with %d records more, %d of %d are at the centre", n, len(k.branch.records), head.Seq)
			}
		})
		// It goes on under a name of its own, which waits for the office; the old journal stays as it is.
		other.Close()
		heir := opened(t, folder, config())
		record(t, heir, visit(2))
		_, err = heir.Sync(t.Context(), nil)
		if !errors.As(err, &stop) || stop.Kind != agent.StopFork || !strings.Contains(stop.Text, string(heir.ID())+" waits for the office") {
			t.Errorf("Sync of the copy that goes on: %v", err)
		}
		s, err := agent.Look(folder)
		if err != nil || !strings.HasPrefix(string(s.Device), "tab-1-") || s.Waiting != 4 || len(s.Before) != 1 || s.Before[0].Head != head {
			t.Errorf("status: %+v, %v", s, err)
		}
		if report, err := agent.Check(t.Context(), folder); err != nil || !report.OK || report.Records != uint64(head.Seq)+4 {
			t.Errorf("check: %+v, %v", report, err)
		}
		heir.Close()
	}
	drained(t, c, d)
}

func TestBehindIsMended(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(3))
	drained(t, c, d)
	image := copyFolder(t, dir)
	record(t, d, visit(10))
	drained(t, c, d)
	d.Close()
	back := opened(t, image, config())
	drained(t, c, back)
	if s := status(t, back); s.Records != 17 {
		t.Fatalf("%+v", s)
	}
	record(t, back, visit(1))
	drained(t, c, back)
	if report, err := agent.Check(t.Context(), image); err != nil || !report.OK {
		t.Errorf("Check: %+v, %v", report, err)
	}
}

// TestBehindIsHeldToItsSeals holds that a device which was put back takes as its own only what its own seals cover, and
// writes nothing before it has.
func TestBehindIsHeldToItsSeals(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(3))
	drained(t, c, d)
	image := copyFolder(t, dir)
	for range 3 {
		record(t, d, visit(3))
		drained(t, c, d)
	}
	d.Close()
	const last = 20
	for _, bad := range []struct {
		what   string
		change func(*wire.BackAnswer)
		want   agent.StopKind
	}{
		{"no seals", func(b *wire.BackAnswer) { b.Seals = nil }, agent.StopBehind},
		{"none over the last record", func(b *wire.BackAnswer) {
			b.Seals = slices.DeleteFunc(b.Seals, func(s events.Seal) bool { return s.Seq == last })
		}, agent.StopBehind},
		{"a seal by somebody else", func(b *wire.BackAnswer) {
			for i := range b.Seals {
				b.Seals[i] = events.SignSeal(c.key, device, b.Seals[i].Seq, events.Hash{}, "")
			}
		}, agent.StopFork},
		{"a seal moved to another record", func(b *wire.BackAnswer) {
			for i := range b.Seals {
				if b.Seals[i].Seq == last {
					b.Seals[i].Seq--
				}
			}
		}, agent.StopFork},
		{"fewer records", func(b *wire.BackAnswer) { b.Records, b.Seals = nil, nil }, agent.StopBehind},
	} {
		folder := copyFolder(t, image)
		behind := opened(t, folder, config())
		before := status(t, behind).Records
		c.mu.Lock()
		c.back = bad.change
		c.mu.Unlock()
		_, err := behind.Sync(t.Context(), nil)
		var stop *agent.Stop
		if !errors.As(err, &stop) || stop.Kind != bad.want {
			t.Errorf("%s: %v", bad.what, err)
		}
		if now := status(t, behind).Records; now != before {
			t.Errorf("%s: %d records, %d before", bad.what, now, before)
		}
		if _, err := behind.Record(t.Context(), strings.NewReader(visit(1))); !errors.Is(err, agent.ErrBehind) {
			t.Errorf("%s: Record: %v", bad.what, err)
		}
		behind.Close()
	}
	c.mu.Lock()
	c.back = nil
	c.mu.Unlock()
}

// TestBehindIsCutShort cuts the fetching back at each of its requests: nothing of it is written, nothing new is taken, also
// by the next process, and the next conversation ends it.
func TestBehindIsCutShort(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(3))
	drained(t, c, d)
	image := copyFolder(t, dir)
	record(t, d, visit(10))
	drained(t, c, d)
	d.Close()
	back := opened(t, image, config())
	before := status(t, back).Records
	for cut := 1; cut <= 4; cut++ { // of four answers, three records each
		ctx, stop := context.WithCancel(t.Context())
		backs := 0
		c.failing(func(_ int, verb wire.Verb) fault {
			if verb == wire.Back {
				if backs++; backs == cut {
					stop()
					return lost
				}
			}
			return fine
		})
		if _, err := back.Sync(ctx, nil); !errors.Is(err, context.Canceled) {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		back.Close()
		back = opened(t, image, config())
		if now := status(t, back).Records; now != before {
			t.Fatalf("cut at %d: %d records, %d before", cut, now, before)
		}
		if _, err := back.Record(t.Context(), strings.NewReader(visit(1))); !errors.Is(err, agent.ErrBehind) {
			t.Errorf("cut at %d: Record: %v", cut, err)
		}
	}
	c.failing(nil)
	drained(t, c, back)
	record(t, back, visit(1))
	drained(t, c, back)
	if report, err := agent.Check(t.Context(), image); err != nil || !report.OK {
		t.Errorf("Check: %+v, %v", report, err)
	}
}

func TestDamageIsFetchedBack(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	record(t, d, visit(40))
	drained(t, c, d)
	record(t, d, visit(5))
	d.Close()
	segments, err := filepath.Glob(filepath.Join(dir, "journal", "*.seg"))
	if err != nil || len(segments) == 0 {
		t.Fatal(segments, err)
	}
	b, err := os.ReadFile(segments[0])
	if err != nil {
		t.Fatal(err)
	}
	b[3000] ^= 1
	if err := os.WriteFile(segments[0], b, 0o600); err != nil {
		t.Fatal(err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || report.OK || len(report.Problems) == 0 {
		t.Errorf("Check of a damaged journal: %+v, %v", report, err)
	}
	d = opened(t, dir, config())
	if s := status(t, d); len(s.Alarms) != 1 {
		t.Errorf("alarms before: %q", s.Alarms)
	}
	drained(t, c, d)
	report, err = agent.Check(t.Context(), dir)
	if err != nil || !report.OK || report.Records != 49 {
		t.Errorf("Check after mending: %+v, %v", report, err)
	}
}

func TestNobodyThere(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	cfg := config()
	cfg.Patience = time.Second
	d := opened(t, dir, cfg)
	c.conn.Close()
	c.nats.Shutdown()
	c.nats.WaitForShutdown()

	notice, err := d.Sync(t.Context(), nil)
	if err != nil || !errors.Is(notice, agent.ErrNoCentre) {
		t.Fatalf("Sync with nothing waiting: %v, %v", notice, err)
	}
	record(t, d, visit(10))
	_, err = d.Sync(t.Context(), nil)
	var waiting *agent.Waiting
	if !errors.As(err, &waiting) || waiting.Records != 12 || !errors.Is(err, agent.ErrNoCentre) {
		t.Fatalf("Sync: %v", err)
	}
	if want := "12 waiting since "; !strings.HasPrefix(err.Error(), want) || !strings.HasSuffix(err.Error(), ": the centre cannot be reached") {
		t.Errorf("error %q", err)
	}
}

func copyFolder(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

func TestRefusedByTheBroker(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	closed, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoLog: true, NoSigs: true, Username: "a", Password: "b", TLSConfig: c.tls(), TLSHandshakeFirst: true})
	if err != nil {
		t.Fatal(err)
	}
	closed.Start()
	defer closed.WaitForShutdown()
	defer closed.Shutdown()
	if !closed.ReadyForConnections(10 * time.Second) {
		t.Fatal("the broker does not start")
	}
	path := filepath.Join(dir, "device.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b = []byte(strings.ReplaceAll(string(b), c.nats.ClientURL(), closed.ClientURL()))
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	d := opened(t, dir, config())
	record(t, d, visit(1))
	_, err = d.Sync(t.Context(), nil)
	var stop *agent.Stop
	if !errors.As(err, &stop) || stop.Kind != agent.StopRevoked {
		t.Fatalf("Sync: %v", err)
	}
}

func TestGateKeys(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	record(t, d, visit(1))
	drained(t, c, d)
	c.mu.Lock()
	c.gate = "gate-2"
	c.mu.Unlock()
	record(t, d, visit(1))
	drained(t, c, d)
	c.mu.Lock()
	c.key = ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
	c.mu.Unlock()
	record(t, d, visit(1))
	_, err := d.Sync(t.Context(), nil)
	var stop *agent.Stop
	if !errors.As(err, &stop) || stop.Kind != agent.StopGate {
		t.Fatalf("Sync with a gate of another key: %v", err)
	}
}

func TestCentreFellBack(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	record(t, d, visit(5))
	drained(t, c, d)
	c.with(func(k *copied) {
		k.records = k.records[:2]
		k.link = events.FirstLink(device, k.seal)
		for _, r := range k.records {
			k.link = events.Link(k.link, events.HashRecord(r))
		}
	})
	drained(t, c, d)
}
