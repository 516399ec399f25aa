package storm

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"ullage/agent"
	"ullage/cmd/internal/officecli"
	"ullage/events"
)

// crew is a process with many devices.
type crew struct {
	dir     string
	names   []events.DeviceID
	devices []*agent.Device
	tally   tally
}

// patience is how long a device goes on without progress. Nobody stands before these and waits.
const patience = 5 * time.Minute

// abreast is how many devices of a crew do something at once that needs the disk, before the storm.
const abreast = 16

func (c *crew) obey(o order) (any, error) {
	switch o.Do {
	case "enrol":
		c.dir, c.names = o.Dir, o.Names
		return nil, c.each(func(n int) error { return c.enrol(n, o.Centre) })
	case "record":
		c.devices = make([]*agent.Device, len(c.names))
		return nil, c.each(func(n int) error { return c.record(n, o.Records) })
	case "return":
		stop, err := profile(o.File)
		if err != nil {
			return nil, err
		}
		r := c.comeBack(time.Unix(0, o.At))
		return r, stop()
	}
	return nil, fmt.Errorf("a crew does not know how to %q", o.Do)
}

// each does something with every device, a few at once, and gives up after the first error.
func (c *crew) each(do func(n int) error) error {
	var all sync.WaitGroup
	var failed error
	var mu sync.Mutex
	next := 0
	take := func() (n int, ok bool) {
		mu.Lock()
		defer mu.Unlock()
		n, ok = next, next < len(c.names) && failed == nil
		next++
		return n, ok
	}
	for range abreast {
		all.Go(func() {
			for n, ok := take(); ok; n, ok = take() {
				if err := do(n); err != nil {
					mu.Lock()
					failed = fmt.Errorf("%s: %w", c.names[n], err)
					mu.Unlock()
				}
			}
		})
	}
	all.Wait()
	return failed
}

// enrol makes the device, by a code, unless an earlier storm has.
func (c *crew) enrol(n int, centre string) error {
	folder := home(c.dir, c.names[n])
	if _, err := agent.Look(folder); !errors.Is(err, agent.ErrNotEnrolled) {
		return err
	}
	var out, words strings.Builder
	if officecli.Main([]string{"enrol", string(c.names[n]), "--dir", centre}, strings.NewReader(""), &out, &words) != 0 {
		return errors.New(words.String())
	}
	_, err := agent.Enrol(context.Background(), folder, "", strings.TrimSpace(out.String()), agent.Config{})
	return err
}

// record opens the device, which stays open, and keeps records on it.
func (c *crew) record(n, records int) error {
	d, err := agent.Open(context.Background(), home(c.dir, c.names[n]), agent.Config{Patience: patience, Log: slog.New(&c.tally)})
	if err != nil {
		return err
	}
	c.devices[n] = d
	_, err = d.Record(context.Background(), strings.NewReader(lines(c.names[n], records)))
	return err
}

// returned is how it went for a crew.
type returned struct {
	Devices []deviceReturned `json:"devices"`
	Pushes  []time.Duration  `json:"pushes_ns"` // how long each took, from the attempt that was not answered with busy
	Busy    int              `json:"busy"`
	Failed  map[string]int   `json:"failed"` // conversations that did not end well, by why
	Usage   usage            `json:"usage"`
}

// deviceReturned is how it went for a device.
type deviceReturned struct {
	Drained time.Duration `json:"drained_ns"`      // from the moment at which all began until nothing waited
	Error   string        `json:"error,omitempty"` // why it gave up
}

// comeBack lets every device sync from a moment on, and returns when all are done.
func (c *crew) comeBack(at time.Time) returned {
	r := returned{Devices: make([]deviceReturned, len(c.devices))}
	before := used()
	var all sync.WaitGroup
	for n, d := range c.devices {
		all.Go(func() {
			time.Sleep(time.Until(at))
			_, err := d.Sync(context.Background(), nil)
			r.Devices[n].Drained = time.Since(at)
			if err != nil {
				r.Devices[n].Error = fmt.Sprintf("%s: %v", c.names[n], err)
			}
		})
	}
	all.Wait()
	r.Usage = used().since(before)
	r.Pushes, r.Busy, r.Failed = c.tally.pushes, c.tally.busy, c.tally.failed
	return r
}

func (c *crew) close() (err error) {
	for _, d := range c.devices {
		if d != nil {
			err = errors.Join(err, d.Close())
		}
	}
	return err
}
