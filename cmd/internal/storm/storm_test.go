package storm

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/agent/journal"
	"ullage/events"
)

// The test binary is the storm's other processes too.
func TestMain(m *testing.M) {
	if status, ok := Child(); ok {
		os.Exit(status)
	}
	// The race detector lets a process sleep for a second at its end.
	os.Setenv("GORACE", os.Getenv("GORACE")+" atexit_sleep_ms=10")
	os.Exit(m.Run())
}

func config(t *testing.T, devices, records int) Config {
	return Config{Dir: t.TempDir(), Devices: devices, Records: records, Crews: 2, Log: slog.New(slog.NewTextHandler(t.Output(), nil))}
}

// held checks that all that waited was received, once.
func held(t *testing.T, r *Report) {
	t.Helper()
	var table strings.Builder
	if err := r.Table(&table); err != nil {
		t.Fatal(err)
	}
	t.Logf("\n%s", table.String())
	if !r.Held() || len(r.GaveUp) > 0 || r.Unreceipted > 0 || r.Receipted < r.Devices*r.Records {
		t.Errorf("of %d records of each of %d devices: %+v", r.Records, r.Devices, r)
	}
	if r.Drained <= 0 || r.Bare <= 0 || r.Stored == 0 || r.PushMost <= 0 {
		t.Errorf("nothing was measured: %+v", r)
	}
}

// TestStorm lets 200 devices return at once.
func TestStorm(t *testing.T) {
	cfg := config(t, 200, 20)
	r, err := Run(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	held(t, r)
}

// TestStormFinds holds the journal of a device against a centre that has lost, changed, or doubled some of its records:
// the report says so. And a second storm in the same folder goes on from the first.
func TestStormFinds(t *testing.T) {
	cfg := config(t, 2, 3)
	for range 2 {
		r, err := Run(t.Context(), cfg)
		if err != nil {
			t.Fatal(err)
		}
		held(t, r)
	}
	s := &storm{Config: cfg, report: &Report{}}
	id := name(0)
	whole := func() counts {
		c := ledger{}
		j, err := journal.OpenRead(journal.Config{Dir: filepath.Join(home(cfg.Dir, id), "journal")})
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		err = j.Scan(1, func(seq events.Seq, record []byte) error {
			c.add(id, seq, events.HashRecord(record))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return c[id]
	}
	_, places, err := s.stored(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	other := events.HashRecord([]byte("another"))
	for _, c := range []struct {
		what          string
		harm          func(stored, shown counts)
		lost, doubled int
	}{
		{what: "nothing", harm: func(counts, counts) {}},
		{what: "a record is not stored", harm: func(stored, _ counts) { delete(stored, 2) }, lost: 1},
		{what: "two are not shown", harm: func(_, shown counts) { delete(shown, 1); delete(shown, 5) }, lost: 2},
		{what: "another stands in its place", harm: func(stored, _ counts) { stored[2] = map[events.Hash]int{other: 1} }, lost: 1},
		{what: "another stands beside it", harm: func(stored, _ counts) { stored[2][other] = 1 }, doubled: 1},
		{what: "one is shown twice", harm: func(_, shown counts) {
			for h := range shown[3] {
				shown[3][h]++
			}
		}, doubled: 1},
	} {
		s.report = &Report{}
		stored, shown := whole(), whole()
		c.harm(stored, shown)
		if err := s.checkDevice(id, stored, shown, places); err != nil {
			t.Fatal(err)
		}
		if r := s.report; r.Lost != c.lost || r.Doubled != c.doubled || r.Misplaced != 0 || r.Held() != (c.lost+c.doubled == 0) {
			t.Errorf("%s: %+v", c.what, r)
		}
	}
	s.report = &Report{}
	if err := s.checkDevice(id, whole(), whole(), nil); err != nil || s.report.Misplaced != 1 || s.report.Held() {
		t.Errorf("a receipt for a place where nothing stands: %+v, %v", s.report, err)
	}
}

// TestChildThatCannot asks children for what they cannot do: the error says which child, and why.
func TestChildThatCannot(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"centre", "crew-0"} {
		c, err := start(dir, name)
		if err != nil {
			t.Fatal(err)
		}
		if err := c.ask(t.Context(), order{Do: "dance"}, nil); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "dance") {
			t.Errorf("%s: %v", name, err)
		}
		if err := c.end(); err != nil {
			t.Error(err)
		}
	}
	c, err := start(dir, "centre")
	if err != nil {
		t.Fatal(err)
	}
	if err := c.ask(t.Context(), order{Do: "serve", Dir: os.DevNull}, nil); err == nil {
		t.Error("a centre in what is no folder")
	}
	if err := c.end(); err == nil {
		t.Error("it ended well")
	}
	if _, err := start(filepath.Join(dir, "none"), "crew-0"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a child without a folder: %v", err)
	}
}
