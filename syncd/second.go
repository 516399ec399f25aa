package syncd

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"ullage/events"
	"ullage/syncd/mirror"
	"ullage/syncd/office"
)

// The keys and the office's journal are the centre's alone: devices have all that they sent, and nobody has those. So they
// are kept in a second place too, on another disk or another machine's, a few seconds behind.

// secondNames are what stands in the second place. Keys come first: a journal is of no use without them.
var secondNames = []string{"keys", "token", "ports.json", "office"}

// secondEvery is how far the second place may lie behind.
const secondEvery = 2 * time.Second

// second is how the second place stands.
type second struct {
	mirror *mirror.Mirror

	mu  sync.Mutex
	at  time.Time // when it was last as the first
	err error     // why it is not now
}

// openSecond takes up a second place. One within the centre's own folder is refused; what else may be wrong with it can be
// mended while the centre runs, and keeps no record waiting.
func (c *Centre) openSecond() error {
	if c.cfg.Second == "" {
		return nil
	}
	own, err := filepath.Abs(c.cfg.Dir)
	if err != nil {
		return err
	}
	place, err := filepath.Abs(c.cfg.Second)
	if err != nil {
		return err
	}
	if place == own || strings.HasPrefix(place, own+string(filepath.Separator)) {
		return fmt.Errorf("the second place %s is within the centre's own folder: what happens to one happens to both", c.cfg.Second)
	}
	c.second.mirror = mirror.New(own, place, secondNames...)
	return nil
}

// usable says why a second place cannot be one now: it is not there, or is another centre's.
func (c *Centre) usable() error {
	st, err := os.Stat(c.cfg.Second)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the second place %s is not there: make the folder, on another disk or another machine's, or see why it is away", c.cfg.Second)
	case err != nil:
		return err
	case !st.IsDir():
		return fmt.Errorf("the second place %s is no folder", c.cfg.Second)
	}
	theirs, err := os.ReadFile(filepath.Join(c.cfg.Second, "keys", "centre.json"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	ours, err := os.ReadFile(c.path(filepath.Join("keys", "centre.json")))
	if err == nil && !bytes.Equal(theirs, ours) {
		err = fmt.Errorf("the second place %s has another centre's keys: choose a folder of its own for each", c.cfg.Second)
	}
	return err
}

// secondSync brings the second place up to the first.
func (c *Centre) secondSync() error {
	err := c.usable()
	if err == nil {
		err = c.second.mirror.Sync()
	}
	c.second.mu.Lock()
	defer c.second.mu.Unlock()
	if c.second.err = err; err == nil {
		c.second.at = now().Time()
	}
	return err
}

// keepSecond follows the first place until ctx ends, and then once more.
func (c *Centre) keepSecond(ctx context.Context) error {
	tick := time.NewTicker(secondEvery)
	defer tick.Stop()
	failing := false
	for {
		err := c.secondSync()
		if failed := err != nil; failed != failing {
			if failing = failed; failed {
				c.cfg.Log.Error("the second place does not take the keys and the office's journal; it is tried again", "error", err)
			} else {
				c.cfg.Log.Info("the second place has the keys and the office's journal again")
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
	}
}

func (c *Centre) checkSecondPlace(context.Context) (office.Finding, error) {
	f := office.Finding{What: "second place", State: office.Good}
	if c.second.mirror == nil {
		f.State, f.Say = office.Attend, "keys and the office's journal are in this folder only, and in the backups that you keep"
		f.Do = "Serve with --second FOLDER, a folder on another disk or another machine's."
		return f, nil
	}
	c.second.mu.Lock()
	defer c.second.mu.Unlock()
	switch {
	case c.second.at.IsZero():
		f.Say = fmt.Sprintf("keys and the office's journal are not in %s yet", c.cfg.Second)
	default:
		f.Say = fmt.Sprintf("keys and the office's journal are in %s too, as they stood at %s", c.cfg.Second, events.MillisOf(c.second.at).Format(0))
	}
	if c.second.err != nil {
		f.State, f.Do = office.Bad, fmt.Sprintf("See to it that it can be written: %v.", c.second.err)
	}
	return f, nil
}

// takeSecond puts the keys and the office's journal of a second place into a centre's folder, over those of an older backup.
func takeSecond(dir, place string) error {
	if _, err := os.Stat(filepath.Join(place, "keys", "centre.json")); err != nil {
		return fmt.Errorf("%s is no second place of a centre: %w", place, err)
	}
	for _, name := range secondNames {
		if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	return mirror.New(place, dir, secondNames...).Sync()
}
