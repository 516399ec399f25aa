package agent_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// enrolled makes a device.

func enrolled(t testing.TB, c *centre) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "device")
	id, err := agent.Enrol(t.Context(), dir, "", c.code.String(), config())
	if err != nil || id != device {
		t.Fatalf("Enrol: %v, %v", id, err)
	}
	return dir
}

// opened opens a device for the rest of the test.

func opened(t testing.TB, dir string, cfg agent.Config) *agent.Device {
	t.Helper()
	d, err := agent.Open(t.Context(), dir, cfg)
	if err != nil {
		t.Fatalf("Open: %v", err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// visit is a visit of n+2 lines.

func visit(n int) string {
	var b strings.Builder
	b.WriteString(`{"kind":"visit.opened","site":"yard","visit":"v","by":"T1","body":{"reason":"planned"}}` + "\n")
	for i := range n {
		fmt.Fprintf(&b, `{"kind":"reading.taken","site":"yard","machine":"m-1","visit":"v","by":"T1","body":{"quantity":"volume","value":%d,"method":"dip","moment":"arrival"}}`+"\n", 100+i%10)
	}
	b.WriteString(`{"kind":"visit.closed","site":"yard","visit":"v","by":"T1","body":{"outcome":"complete"}}` + "\n")
	return b.String()
}

func record(t testing.TB, d *agent.Device, lines string) {
	t.Helper()
	if _, err := d.Record(t.Context(), strings.NewReader(lines)); err != nil {
		t.Fatalf("Record: %v", err)
	}
}

func status(t testing.TB, d *agent.Device) agent.Status {
	t.Helper()
	s, err := d.Status()
	if err != nil {
		t.Fatalf("Status: %v", err)
	}
	return s
}

// drained syncs, and holds that the centre then has exactly what the device has, once.

func drained(t testing.TB, c *centre, d *agent.Device) {
	t.Helper()
	if notice, err := d.Sync(t.Context(), nil); err != nil || notice != nil {
		t.Fatalf("Sync: %v, %v", notice, err)
	}
	s := status(t, d)
	if s.Waiting != 0 || s.Received != s.Records || s.Why != nil || s.Since != nil || s.LastSync == nil || len(s.Alarms) != 0 {
		t.Fatalf("after a sync: %+v", s)
	}
	c.with(func(k *copied) {
		if uint64(k.seq()) != s.Records || k.link.String() != s.Head.Link {
			t.Fatalf("the centre has %d records, link %s; the device %d, %s", k.seq(), k.link, s.Records, s.Head.Link)
		}
	})
}

func TestRecordAndSync(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	if s := status(t, d); s.Records != 0 || s.Waiting != 0 || s.LastSync != nil {
		t.Fatalf("before anything: %+v", s)
	}
	record(t, d, visit(7))
	s := status(t, d)
	if s.Records != 9 || s.Waiting != 9 || s.Received != 0 || s.Why == nil || s.Since == nil {
		t.Fatalf("after recording: %+v", s)
	}
	drained(t, c, d)
	c.with(func(k *copied) {
		if k.pushes != 1 || len(k.seals) != 2 { // of the visit's begin and end; the last is the push's too
			t.Errorf("%d pushes, %d seals", k.pushes, len(k.seals))
		}
	})
	record(t, d, visit(1))
	drained(t, c, d)
	looked, err := agent.Look(dir)
	if err != nil || looked.Records != 12 || looked.Received != 12 || looked.LastSync == nil {
		t.Errorf("Look: %+v, %v", looked, err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || report.Records != 12 || report.Receipts != 2 || report.Seals != 4 {
		t.Errorf("Check: %+v, %v", report, err)
	}
}

func TestBacklogInPushes(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	record(t, d, visit(5001))
	drained(t, c, d)
	c.with(func(k *copied) {
		if k.pushes != 6 {
			t.Errorf("%d pushes of 5003 records", k.pushes)
		}
	})
}

// TestEveryFaultAtEveryRequest lets each request of a conversation go wrong in each way, and some with a restart after

// it, and holds that the next sync drains and nothing is doubled.

func TestEveryFaultAtEveryRequest(t *testing.T) {
	for _, what := range []fault{lost, unsaid, isBusy, cutAfter, garbage, stranger} {
		for n := 1; n <= 5; n++ {
			for _, restart := range []bool{false, true} {
				if restart && (what == isBusy || what == garbage || what == stranger) {
					continue // nothing is left behind that a restart could lose
				}
				t.Run(fmt.Sprintf("%s at %d, restart %v", what, n, restart), func(t *testing.T) {
					t.Parallel()
					c := newCentre(t)
					dir := enrolled(t, c)
					d, err := agent.Open(t.Context(), dir, config())
					if err != nil {
						t.Fatal(err)
					}
					defer func() { d.Close() }()
					record(t, d, visit(1010))
					c.failing(func(i int, _ wire.Verb) fault {
						if i == n {
							return what
						}
						return fine
					})
					if restart {
						// Cut the first sync off soon after the fault.
						ctx, cancel := context.WithTimeout(t.Context(), 60*time.Millisecond)
						d.Sync(ctx, nil)
						cancel()
						if err := d.Close(); err != nil {
							t.Fatal(err)
						}
						if d, err = agent.Open(t.Context(), dir, config()); err != nil {
							t.Fatal(err)
						}
					}
					drained(t, c, d)
					record(t, d, visit(1))
					drained(t, c, d)
				})
			}
		}
	}
}

// TestManyFaults lets every third request go wrong.

func TestManyFaults(t *testing.T) {
	c := newCentre(t)
	d := opened(t, enrolled(t, c), config())
	record(t, d, visit(4000))
	all := []fault{lost, unsaid, isBusy, cutAfter, isBusy, unsaid}
	c.failing(func(n int, _ wire.Verb) fault {
		if n%3 == 0 {
			return all[n/3%len(all)]
		}
		return fine
	})
	drained(t, c, d)
}

// TestWithoutProgressSyncEnds has a centre that answers for ever, and whose receipts are by a gate that nobody knows.

func TestClockChecked(t *testing.T) {
	c := newCentre(t)
	cfg := config()
	slow := 90 * time.Second
	cfg.Now = func() time.Time { return time.Now().Add(-slow) }
	d := opened(t, enrolled(t, c), cfg)
	record(t, d, visit(1))
	drained(t, c, d)
	drained(t, c, d) // it has not moved
	c.with(func(k *copied) {
		if k.seq() != 4 {
			t.Fatalf("%d records", k.seq())
		}
		r, err := events.DecodeRecord(k.records[3])
		if err != nil || r.Kind != "clock.checked" {
			t.Fatalf("the last record is %s, %v", r.Kind, err)
		}
		body, err := events.DecodeBody(r.Kind, r.V, r.Body)
		if err != nil {
			t.Fatal(err)
		}
		if b := body.(*events.ClockChecked); b.OffsetMs == nil || *b.OffsetMs < 89_000 || *b.OffsetMs > 91_000 || b.RoundTripMs == nil {
			t.Errorf("%+v", b)
		}
	})
}

// copyFolder copies a device's folder, as a backup would.

// TestRefusedByTheBroker is a device whose credential was revoked: the broker does not let it in.

// TestGateKeys takes up the key of a new gate, and stops where a known gate comes with another key.

// TestCentreFellBack is a centre that has lost what it had received: it gets it again.
