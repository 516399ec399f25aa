package syncd

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"ullage/events"
	"ullage/syncd/office"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
	"ullage/syncd/trust/publog"
)

// A centre on a cluster can have several seats (trust.Seat). What one decides about devices it writes down as records of its
// office, as ever; the others take it in from there: who is let in, who is revoked, and that another seat is one. The first
// word about a name in RECORDS counts, so that two seats which give a name at one moment do not both let somebody in.

// ErrAlone is in the error of NewSeat about a centre with streams of its own.
var ErrAlone = errors.New("the centre has no cluster")

// ErrTaken is in the error of an enrolment whose name another seat has given.
var ErrTaken = errors.New("another seat has given this name")

// learned is how far the office's records of all seats were taken in.
type learned struct {
	again atomic.Bool // all of them, at the next look. Who enrols sets it, and waits for no look: a look waits for who enrols

	mu sync.Mutex // guards at; held while they are
	at uint64
}

// learn takes in what other seats write, until ctx ends.
func (c *Centre) learn(ctx context.Context) error {
	const pause = 100 * time.Millisecond // what comes close together is one look
	for ctx.Err() == nil {
		at := c.store.Place().Seq
		if err := c.learnNow(ctx); err != nil && ctx.Err() == nil {
			c.cfg.Log.Warn("what other seats have written could not be taken in; it is tried again", "error", err)
			at = 0
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return nil
		}
		if err := c.store.Wait(ctx, at+1); err != nil && ctx.Err() == nil {
			return err
		}
	}
	return nil
}

// learnNow takes in what the read model has.
func (c *Centre) learnNow(ctx context.Context) error {
	c.learned.mu.Lock()
	defer c.learned.mu.Unlock()
	if c.learned.again.Swap(false) || c.store.Place().Seq < c.learned.at { // or the model is another one
		c.learned.at = 0
	}
	all, upto, err := c.store.Fleet(ctx, c.learned.at)
	if err != nil {
		return err
	}
	own, _ := c.trust.Office()
	for _, a := range all {
		if !a.Office || a.Held != "" || a.Record.Device == own || a.Content == nil {
			continue
		}
		if err := c.takeIn(a.Content.Body); err != nil {
			return fmt.Errorf("record %d of %s: %w", a.Record.Seq, a.Record.Device, err)
		}
	}
	c.learned.at = upto
	return nil
}

// takeIn does what another seat's record says. Errors are about this centre's own disk or the servers; what cannot be, is
// passed over, with a word.
func (c *Centre) takeIn(body events.Body) error {
	switch b := body.(type) {
	case *events.DeviceEnrolled:
		d := trust.Device{ID: b.Device, Parent: b.Parent}
		for _, k := range b.Keys {
			switch k.Use {
			case "sealing":
				d.Key = k.Key
			case "connection":
				conn, err := trust.ConnKey(k.Key)
				if err != nil {
					return err
				}
				d.Conn = conn
			}
		}
		var err error
		if trust.IsSeat(b.Device) {
			err = c.trust.LearnSeat(b.Device, d.Key)
		} else {
			err = c.trust.Learn(d)
		}
		if errors.Is(err, trust.ErrKnown) || errors.Is(err, trust.ErrPublicKeys) {
			c.cfg.Log.Warn("another seat lets somebody in who cannot be let in here", "name", b.Device, "why", err)
			return nil
		}
		if err == nil && b.Parent != "" { // it goes on from a device that has forked
			if err = c.trust.Freeze(b.Parent); errors.Is(err, trust.ErrDevice) {
				return nil
			}
		}
		return err
	case *events.DeviceRevoked:
		if d, ok := c.trust.Device(b.Device); ok && !d.Revoked && !d.Office {
			return c.cut(b.Device)
		}
	}
	return nil
}

// upToDate returns once this seat knows what the others have written until now.
func (c *Centre) upToDate(ctx context.Context) error {
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return err
	}
	return c.learnNow(ctx)
}

// logCurrent returns once the public log has what RECORDS has, or will have no more.
func (c *Centre) logCurrent(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	if err := office.Fresh(ctx, c.source, c.log); !errors.Is(err, publog.ErrRewritten) {
		return err
	}
	return nil
}

// mine makes sure that a name which this seat has just given was not given by another one before. Its error wraps ErrTaken.
func (c *Centre) mine(ctx context.Context, d trust.Device) error {
	all, err := c.store.Keys(ctx, d.ID)
	if err != nil {
		return err
	}
	for _, a := range all {
		if !a.Office || a.Held != "" || a.Content == nil {
			continue
		}
		if b, ok := a.Content.Body.(*events.DeviceEnrolled); ok {
			if key, ok := sealingKey(b.Keys); !ok || !d.Key.Equal(key) {
				return fmt.Errorf("%w: %s by %s", ErrTaken, d.ID, a.Record.Device)
			}
			return nil
		}
	}
	return fmt.Errorf("%s is not in the read model", d.ID)
}

// NewSeat makes the folder of a further seat of the centre in cfg.Dir, which must not run meanwhile: its keys, those that
// seats have in common, and the public log. The office writes down that it is one. The folder is empty or not there, and gets
// its name when all of that is done. Errors: ErrAlone, backup.ErrTarget, disk.ErrHeld, and those of Open.
func NewSeat(ctx context.Context, cfg Config, to string) (name events.DeviceID, err error) {
	if err := checkEmpty(to); err != nil {
		return "", err
	}
	if list, err := chosenServers(cfg); err != nil || len(list) == 0 {
		return "", errors.Join(err, fmt.Errorf("%w: %s keeps its streams itself, and so has one seat", ErrAlone, cfg.Dir))
	}
	c, err := Open(ctx, cfg)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if err := c.Rebuild(ctx, nil); err != nil { // nobody follows the stream here
		return "", err
	}
	if err := c.learnNow(ctx); err != nil {
		return "", err
	}
	seat, err := c.trust.NewSeat()
	if err != nil {
		return "", err
	}
	name, key := seat.Office()
	gate, gateKey := seat.Gate()
	return name, newFolder(to, func(dir string) error {
		if err := c.trust.WriteSeat(dir, seat); err != nil {
			return err
		}
		if err := copyFiles(c.trust.LogDir(), filepath.Join(dir, "log")); err != nil {
			return err
		}
		if err := writeJSON(filepath.Join(dir, clusterFile), clusterServers{c.cfg.Servers}); err != nil {
			return err
		}
		devices := []trust.Device{{ID: name, Key: key}, {ID: gate, Key: gateKey}}
		if err := c.decide(ctx, enrolledLine(devices[0]), enrolledLine(devices[1])); err != nil {
			return err
		}
		if err := c.Rebuild(ctx, nil); err != nil {
			return err
		}
		for _, d := range devices {
			if err := errors.Join(c.mine(ctx, d), c.trust.LearnSeat(d.ID, d.Key)); err != nil {
				return err
			}
		}
		return nil
	})
}

// copyFiles copies the files of a folder into a new one.
func copyFiles(from, to string) error {
	if err := disk.MakeDir(to); err != nil {
		return err
	}
	files, err := os.ReadDir(from)
	if err != nil {
		return err
	}
	for _, f := range files {
		b, err := os.ReadFile(filepath.Join(from, f.Name()))
		if err != nil {
			return err
		}
		if err := disk.WriteFile(filepath.Join(to, f.Name()), b); err != nil {
			return err
		}
	}
	return nil
}
