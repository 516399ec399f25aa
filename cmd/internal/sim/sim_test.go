package sim

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"
)

var (
	seedFlag = flag.Uint64("sim.seed", 0, "the one seed to run, with all that happens; 0 for some")
	runsFlag = flag.Int("sim.runs", 6, "how many seeds to run")
)

// TestRun lives through a few companies; devsim sim has many more.
func TestRun(t *testing.T) {
	if *seedFlag != 0 {
		r, err := Run(Config{Seed: *seedFlag, Trace: os.Stderr})
		if t.Logf("%+v", r); err != nil {
			t.Fatal(err)
		}
		return
	}
	for s := range uint64(*runsFlag) {
		if r, err := Run(Config{Seed: s + 1, Days: days}); err != nil {
			t.Errorf("-sim.seed=%d: %v", s+1, err)
		} else if r.Records == 0 {
			t.Errorf("-sim.seed=%d: nothing was acknowledged", s+1)
		}
	}
}

// TestSameSeed: the same seed does the same, to the byte of what is kept; another one does something else.
func TestSameSeed(t *testing.T) {
	digests := map[string]bool{}
	for _, s := range []uint64{7, 7, 22, 22, 23} {
		r, err := Run(Config{Seed: s, Days: days})
		if err != nil {
			t.Fatalf("seed %d: %v", s, err)
		}
		digests[r.Digest] = true
	}
	if len(digests) != 3 {
		t.Errorf("three seeds gave %d stories", len(digests))
	}
}

// TestEachFault has each fault alone, so that what comes of it is seen to come of it.
func TestEachFault(t *testing.T) {
	for i, f := range Faults {
		t.Run(string(f), func(t *testing.T) {
			cfg := Config{Seed: uint64(i + 1), Days: days, faults: []Fault{}}
			switch f {
			case Lost:
				cfg.Rates.Lost = 0.2
			case Late:
				cfg.Rates.Late = 0.2
			case Doubled:
				cfg.Rates.Doubled = 0.2
			case Cut:
				cfg.Rates.Cut = 0.1
			case Unsaid:
				cfg.Rates.Unsaid = 0.1
			case Unstored:
				cfg.Rates.Unstored = 0.1
			case FirstStart:
				cfg.Rates.FirstStart = 0.9
			default:
				cfg.faults = []Fault{f, f}
			}
			var trace bytes.Buffer
			cfg.Trace = &trace
			r, err := Run(cfg)
			if err != nil {
				text := trace.String()
				t.Fatalf("%v\n%s", err, text[max(0, strings.LastIndex(text[:max(0, len(text)-4000)], "\n")):])
			}
			if r.Counts[f].Injected == 0 {
				t.Error("it did not come")
			}
		})
	}
}
