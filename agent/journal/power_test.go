package journal

import (
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
	"ullage/agent/journal/disk/frail"
)

var (
	seedFlag = flag.Uint64("power.seed", 0, "the one seed to run; 0 for many")
	runsFlag = flag.Int("power.runs", 1500, "how many seeds to run")
)

// The power is cut in the middle of any call; what was not synced is dropped, torn and put out of order. Then the
// journal is opened, perhaps cut again while it is, and must have everything that was acknowledged.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	start := uint64(time.Now().UnixNano())
	runs := *runsFlag / part
	if *seedFlag != 0 {
		start, runs = *seedFlag, 1
	}
	if testing.Short() {
		runs = min(runs, 500)
	}
	t.Logf("seeds from %d on; -power.seed runs one of them", start)
	for i := range runs {
		seed := start + uint64(i)
		if err := powerCut(seed); err != nil {
			t.Fatalf("-power.seed=%d: %v", seed, err)
		}
	}
}

func powerCut(seed uint64) error {
	rng := rand.New(rand.NewPCG(seed, 1))
	m, l := frail.New(), newLedger()
	for range 3 {
		m.Left = rng.IntN(120)
		if rng.IntN(3) == 0 {
			m.Left = rng.IntN(20)
		}
		err := l.story(storyConfig(m), rng, 6)
		m.Left = -1
		if err != nil && !errors.Is(err, frail.ErrPower) {
			return err
		}
		if rng.IntN(3) > 0 {
			m = m.Cut(rng)
		} else { // only the process dies; what it left unsynced is read by the next one, and counts from then on
			m.Revive()
			if err := readOnce(m, l); err != nil {
				return err
			}
			m = m.Cut(rng)
		}
	}
	for {
		m.Left = rng.IntN(30)
		j, _, err := Open(storyConfig(m))
		m.Left = -1
		if errors.Is(err, ErrNone) && len(l.acked) == 0 {
			return nil
		}
		if errors.Is(err, frail.ErrPower) || err == nil && m.Dead() {
			if err == nil {
				j.Close()
			}
			m = m.Cut(rng)
			continue
		}
		if err != nil {
			return err
		}
		if err := l.verify(j); err != nil {
			return err
		}
		if err := l.add(j, 2, 10, true); err != nil {
			return err
		}
		if err := l.verify(j); err != nil {
			return err
		}
		if err := j.Close(); err != nil {
			return err
		}
		report, err := Check(storyConfig(m), nil)
		if err == nil && !report.OK() {
			err = fmt.Errorf("check finds fault with it: %+v", report)
		}
		return err
	}
}

// readOnce opens a journal, holds it to the ledger, and leaves it as a process does that dies.
func readOnce(m *frail.Disk, l *ledger) error {
	j, _, err := Open(storyConfig(m))
	if errors.Is(err, ErrNone) && len(l.acked) == 0 {
		return nil
	}
	if err != nil {
		return err
	}
	return l.verify(j)
}
