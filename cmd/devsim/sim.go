package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/sim"
)

func simCommand() *cobra.Command {
	var cfg sim.Config
	var runs, workers int
	var asJSON, trace bool
	c := &cobra.Command{
		Use:   "sim",
		Short: "Live through years of a company in which everything breaks, and look whether anything is lost",
		Long: "Each run is a company: devices, links, a centre and their disks, with the real code and everything below it made of a\n" +
			"seed. Faults come by chance; at the end all is brought to rest, and every promise is held to what was noted. A run that\n" +
			"fails says its seed: the same seed on the same commit fails in the same way, and --trace tells what happened.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if runs < 1 || workers < 1 {
				return errors.New("--runs and --workers take a number from 1 on")
			}
			if trace {
				cfg.Trace, workers = cmd.ErrOrStderr(), 1
			}
			return simulate(cfg, runs, workers, asJSON, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.Uint64Var(&cfg.Seed, "seed", 1, "of the first run; the others follow it")
	f.IntVar(&runs, "runs", 20, "how many runs")
	f.IntVar(&workers, "workers", 2, "runs at the same time")
	f.IntVar(&cfg.Devices, "devices", 3, "devices of a run")
	f.IntVar(&cfg.Days, "days", 60, "days of a run, at least 10")
	f.BoolVar(&trace, "trace", false, "tell all that happens, on standard error")
	f.BoolVar(&asJSON, "json", false, "print the results as JSON")
	return c
}

// simulate has the runs, and tells what came of them. Its error says how many have failed.
func simulate(cfg sim.Config, runs, workers int, asJSON bool, out, progress io.Writer) error {
	if cfg.Devices < 1 || cfg.Days < 10 {
		return errors.New("--devices takes a number from 1 on, --days one from 10 on")
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	began := time.Now()
	total := sim.NewTotal()
	seeds := make(chan uint64)
	for range workers {
		wg.Go(func() {
			for seed := range seeds {
				one := cfg
				one.Seed = seed
				r, err := sim.Run(one)
				mu.Lock()
				total.Add(r, err)
				if err != nil {
					fmt.Fprintf(progress, "seed %d: %v\n", seed, err)
				}
				if total.Runs%10 == 0 {
					fmt.Fprintf(progress, "%d of %d runs, %.1f device-years in %s\n", total.Runs, runs, total.Years, time.Since(began).Round(time.Second))
				}
				mu.Unlock()
			}
		})
	}
	for i := range runs {
		seeds <- cfg.Seed + uint64(i)
	}
	close(seeds)
	wg.Wait()
	total.Took = time.Since(began).Seconds()
	if asJSON {
		e := json.NewEncoder(out)
		e.SetIndent("", "  ")
		if err := e.Encode(total); err != nil {
			return err
		}
	} else if err := total.Table(out); err != nil {
		return err
	}
	if n := len(total.Failed); n > 0 {
		return fmt.Errorf("%d of %d runs broke a promise; devsim sim --runs 1 --trace --seed %d --devices %d --days %d replays the first", n, runs, total.Failed[0].Seed, cfg.Devices, cfg.Days)
	}
	return nil
}
