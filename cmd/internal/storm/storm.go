// Package storm lets a whole field service come back at once: thousands of devices, each with records that wait, reach
// one centre in the same moment.
//
// Everything is real but the people: the devices are agent.Device with their journals on this machine's disk, many of
// them in each of a few processes (crews); they were enrolled by codes; they come over TCP and TLS; the centre is what
// ullage-syncd serves, in a process of its own. This process only gives the orders, and holds at the end what each
// device was told against what the centre has: the records under each receipt must stand in RECORDS once, and in the
// read model once. A record that is not there is lost, one that is there twice is doubled, and either is an error. How
// long it took never is: it depends on the machine, which here the devices share with their centre.
//
// Beside it, in the same run, stands the bare thing: the very messages that the devices' pushes became, published one
// after the other to a bare broker with the same settings, each synced.
package storm

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"ullage/events"
)

// Config is what a storm is made of.
type Config struct {
	Dir     string       // where centre and devices live; with those of an earlier storm there, they are used again
	Devices int          // at least 1
	Records int          // that wait on each; at least 1
	Crews   int          // processes that the devices are spread over; at least 1
	Profile bool         // whether each process writes into Dir what it uses its processor and memory for meanwhile
	Log     *slog.Logger // how far it is
}

// startIn is how far ahead the moment lies at which all return, so that every process has heard of it.
const startIn = time.Second

// Run lets them return, and holds what they were told against what the centre has. The error is about what kept it from
// that; what was lost or doubled is in the report.
func Run(ctx context.Context, cfg Config) (_ *Report, err error) {
	s := &storm{Config: cfg, report: &Report{Devices: cfg.Devices, Records: cfg.Records}}
	defer func() { err = errors.Join(err, s.end()) }()
	for _, step := range []struct {
		what string
		do   func(context.Context) error
	}{
		{"start the centre", s.startCentre},
		{"enrol the devices", s.enrol},
		{"record", s.record},
		{"return", s.comeBack},
		{"end the devices", alone(s.endCrews)},
		{"wait for the read model", s.settle},
		{"end the centre", alone(s.endCentre)},
		{"hold what was told against what is there", s.check},
		{"publish the same bytes bare", s.publish},
	} {
		began := time.Now()
		if err := step.do(ctx); err != nil {
			return nil, fmt.Errorf("%s: %w", step.what, err)
		}
		cfg.Log.Info(step.what, "took", time.Since(began).Round(time.Millisecond))
	}
	return s.report, nil
}

// alone is a step that needs no context.
func alone(do func() error) func(context.Context) error {
	return func(context.Context) error { return do() }
}

type storm struct {
	Config
	report *Report
	centre *child
	crews  []*child

	messages [][]byte // of the devices, in RECORDS
}

func (s *storm) centreDir() string { return filepath.Join(s.Dir, "centre") }

// home is the folder of a device.
func home(dir string, id events.DeviceID) string { return filepath.Join(dir, "devices", string(id)) }

// name is the n-th device's.
func name(n int) events.DeviceID { return events.DeviceID(fmt.Sprintf("van-%05d", n)) }

// crewOf are the devices of a crew: those whose number leaves k when divided by the crews.
func (s *storm) crewOf(k int) (names []events.DeviceID) {
	for n := k; n < s.Devices; n += s.Crews {
		names = append(names, name(n))
	}
	return names
}

func (s *storm) startCentre(ctx context.Context) (err error) {
	if err := os.MkdirAll(filepath.Join(s.Dir, "devices"), 0o700); err != nil {
		return err
	}
	if s.centre, err = start(s.Dir, "centre"); err != nil {
		return err
	}
	return s.centre.ask(ctx, order{Do: "serve", Dir: s.centreDir()}, nil)
}

func (s *storm) enrol(ctx context.Context) error {
	for k := range s.Crews {
		c, err := start(s.Dir, fmt.Sprintf("crew-%d", k))
		if err != nil {
			return err
		}
		s.crews = append(s.crews, c)
	}
	return s.each(func(k int, c *child) error {
		return c.ask(ctx, order{Do: "enrol", Dir: s.Dir, Centre: s.centreDir(), Names: s.crewOf(k)}, nil)
	})
}

func (s *storm) record(ctx context.Context) error {
	return s.each(func(_ int, c *child) error { return c.ask(ctx, order{Do: "record", Records: s.Records}, nil) })
}

// comeBack lets all devices begin at one moment, and returns when the last has nothing waiting any more.
func (s *storm) comeBack(ctx context.Context) error {
	if err := s.centre.ask(ctx, order{Do: "watch", File: s.profile(s.centre)}, nil); err != nil {
		return err
	}
	at := time.Now().Add(startIn)
	returns := make([]returned, len(s.crews))
	err := s.each(func(k int, c *child) error {
		return c.ask(ctx, order{Do: "return", At: at.UnixNano(), File: s.profile(c)}, &returns[k])
	})
	if err != nil {
		return err
	}
	var centre usage
	if err := s.centre.ask(ctx, order{Do: "watched"}, &centre); err != nil {
		return err
	}
	s.report.returned(returns, centre)
	return nil
}

func (s *storm) profile(c *child) string {
	if !s.Profile {
		return ""
	}
	return filepath.Join(s.Dir, c.name)
}

func (s *storm) endCrews() error {
	err := s.each(func(_ int, c *child) error { return c.end() })
	s.crews = nil
	return err
}

func (s *storm) endCentre() error {
	c := s.centre
	s.centre = nil
	return c.end()
}

// end ends what still runs after an error.
func (s *storm) end() error {
	err := s.endCrews()
	if s.centre != nil {
		err = errors.Join(err, s.endCentre())
	}
	return err
}

// each does something with all crews at the same time.
func (s *storm) each(do func(k int, c *child) error) error {
	errs := make(chan error, len(s.crews))
	for k, c := range s.crews {
		go func() { errs <- do(k, c) }()
	}
	var all []error
	for range s.crews {
		all = append(all, <-errs)
	}
	return errors.Join(all...)
}
