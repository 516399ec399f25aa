package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/projections"
)

// A model that other versions of the projections made answers, and goes on, until the new one is there.
func TestOtherVersions(t *testing.T) {
	messages := run(t, 1000, 2).messages
	half := len(messages) / 2
	c := newCentre(t)
	c.store(messages[:half]...)
	dir := t.TempDir()
	s := open(t, dir)
	if err := s.Rebuild(context.Background(), c.source, nil); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
	edit(t, dir, `UPDATE meta SET value='older' WHERE name='made'`)

	s = open(t, dir)
	defer shut(t, s)
	old := s.model
	if old.same {
		t.Fatal("it does not see that other versions made it")
	}
	s.building.Lock() // the new one has to wait
	stop := following(t, s, c.source)
	c.wait(s)
	c.store(messages[half:]...)
	c.wait(s)
	if s.model != old {
		t.Error("swapped before it was built")
	}
	in, err := s.Machine(soon(t), aMachine(0, 0, 0), projections.Now)
	if want := (plain{arrivals(messages)}).input(aMachine(0, 0, 0), projections.Now); err != nil || len(in.History.Facts) != countOf(want) {
		t.Errorf("%d facts, want %d; %v", len(in.History.Facts), countOf(want), err)
	}
	swapped := old.life.Done()
	s.building.Unlock()
	select {
	case <-swapped:
	case <-time.After(patience):
		t.Fatal("never swapped")
	}
	c.wait(s)
	stop()
	if got := files(t, dir); got != "model-3.db" || !s.model.same {
		t.Errorf("files %s", got)
	}
}

func countOf(in projections.Input) (n int) {
	for i := range in.History.Facts {
		if in.History.Facts[i].Record.Machine == in.Machine || in.History.Facts[i].Machine == in.Machine {
			n++
		}
	}
	return n
}

// A rebuild that is stopped leaves the old model as it is, and nothing else.
func TestRebuildStopped(t *testing.T) {
	c := newCentre(t)
	c.store(run(t, 20_000, 4).messages...)
	dir := t.TempDir()
	s := open(t, dir)
	defer shut(t, s)
	ctx, cancel := context.WithCancel(context.Background())
	err := s.Rebuild(ctx, c.source, func(done, of uint64) {
		if done == of {
			t.Error("it was done at once")
		}
		cancel()
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if got := files(t, dir); got != "model-1.db" || !s.Place().IsZero() {
		t.Errorf("files %s, place %v", got, s.Place())
	}
	if _, err := s.Machines(soon(t)); err != nil {
		t.Error(err)
	}
}

// Whoever asks while the model is swapped is answered from the old one to the end, and may ask again meanwhile.
func TestSwapUnderAQuestion(t *testing.T) {
	c := newCentre(t)
	c.store(run(t, 500, 2).messages...)
	dir := t.TempDir()
	s := open(t, dir)
	if err := s.Rebuild(context.Background(), c.source, nil); err != nil {
		t.Fatal(err)
	}
	n := 0
	err := s.Each(soon(t), func(a *projections.Arrival) error {
		if _, err := s.Record(soon(t), a.Target()); err != nil {
			return err
		}
		if n++; n == 1 {
			if err := s.Rebuild(soon(t), c.source, nil); err != nil {
				return err
			}
		}
		_, err := s.Record(soon(t), a.Target())
		return err
	})
	if err != nil || n < 500 {
		t.Errorf("%d records, %v", n, err)
	}
	shut(t, s)
	if got := files(t, dir); got != "model-3.db" {
		t.Errorf("files %s", got)
	}
	if _, err := s.Machines(soon(t)); !errors.Is(err, ErrClosed) {
		t.Errorf("closed: %v", err)
	}
	if err := s.Wait(soon(t), 1); !errors.Is(err, ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}

// Rebuild and Follow at once: the new model is not behind what was answered before.
func TestRebuildWhileFollowing(t *testing.T) {
	messages := run(t, 2000, 2).messages
	half := len(messages) / 2
	c := newCentre(t)
	c.store(messages[:half]...)
	dir := t.TempDir()
	s := open(t, dir)
	stop := following(t, s, c.source)
	c.wait(s)
	last := messages[len(messages)-1]
	messages = messages[:len(messages)-1]
	err := s.Rebuild(context.Background(), c.source, func(done, of uint64) {
		if done == uint64(half) { // the present model goes on behind the end that the rebuild has seen
			c.store(messages[half:]...)
			c.wait(s)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Place().Seq; got != uint64(len(messages)) {
		t.Errorf("the new model stands at message %d of %d", got, len(messages))
	}
	c.store(last)
	c.wait(s) // Follow has turned to the new one
	stop()
	shut(t, s)
}

// Files that a crash has left behind, and one that is no model.
func TestLeftovers(t *testing.T) {
	dir := t.TempDir()
	write := func(name string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(strings.Repeat("no database", 1000)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	shut(t, open(t, dir))
	if err := os.Rename(modelPath(dir, 1), modelPath(dir, 4)); err != nil {
		t.Fatal(err)
	}
	write("model-2.db")
	write("building.db")
	write("building.db-journal")
	shut(t, open(t, dir))
	if got := files(t, dir); got != "model-4.db" {
		t.Errorf("files %s", got)
	}
	write("model-5.db")
	shut(t, open(t, dir))
	if got := files(t, dir); got != "aside-5.db model-6.db" {
		t.Errorf("files %s", got)
	}
	edit(t, dir, `PRAGMA user_version=99`)
	shut(t, open(t, dir))
	if got := files(t, dir); got != "aside-5.db aside-6.db model-7.db" {
		t.Errorf("files %s", got)
	}
}
