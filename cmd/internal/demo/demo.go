// Package demo runs the whole job on an invented company, with real processes: a centre and three devices, which are
// this same program started again. The devices record without a network, one is killed while it writes, the centre is
// away for a while, and one device comes back eleven days late. What comes out is written to files, and shown.
//
// No process outlives the demo: each is ended on every way out, and ends by itself when the demo is killed, which it
// notices by the end of its standard input (Child).
package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/testdata/demo"
)

// AsVariable names the environment variable that makes this program one of the others: "syncd" or "agent".
const AsVariable = "ULLAGE_DEMO_AS"

// Command is `ullage demo`. office runs an office command within this process and returns what it printed.
func Command(office func(ctx context.Context, stdin io.Reader, args ...string) ([]byte, error)) *cobra.Command {
	var headless bool
	cmd := &cobra.Command{
		Use: "demo", Short: "Run the whole job on an invented company, then show it", Args: command.Args(0, 0),
		Long: `demo plays two weeks of an invented company on the coast: a centre and three devices with outages, a late return, a leak,
a spill, mistakes and their corrections. It tells each step as it happens and writes what comes out to D/out/. Then it serves
the office's page and one device's page, until it is told to end. With --headless it ends after writing.

D is a new folder, or one that is empty; left out, it is a temporary one.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, name := range []string{"centre", "token-file", "ca"} {
				if cmd.Flag(name).Changed {
					return command.Wrong("%s brings a centre of its own: --%s does not go with it", cmd.CommandPath(), name)
				}
			}
			dir := "" // a temporary one; a centre's folder that the variable names is not for playing in
			if f := cmd.Flag("dir"); f.Changed {
				if dir = f.Value.String(); dir == "" {
					return command.Wrong("%s: --dir is empty; leave it out, or name a new folder", cmd.CommandPath())
				}
			}
			p := &play{out: cmd.OutOrStdout(), office: office, devices: map[string]*device{}, said: map[string]answer{}}
			return p.run(cmd.Context(), dir, headless)
		},
	}
	cmd.Flags().BoolVar(&headless, "headless", false, "end after writing D/out/")
	return cmd
}

// step is one line of steps.json.
type step struct {
	Do     string `json:"do"`
	Device string `json:"device"`
	File   string `json:"file"`
}

const welcome = `Two weeks of an invented company, played in a few seconds: a centre and three devices, each a process of its own.
All that they write is in %s

kept is on the device's disk; received is on the centre's disk, with a signed receipt at the device.
`

// play is one run of the scenario.
type play struct {
	out    io.Writer
	office func(ctx context.Context, stdin io.Reader, args ...string) ([]byte, error)
	self   string
	dir    string

	centre  *process
	devices map[string]*device
	order   []string
	said    map[string]answer // by key
	lines   int
}

type device struct{ name, dir string }

func (p *play) say(format string, a ...any) { fmt.Fprintf(p.out, format+"\n", a...) }

func (p *play) path(parts ...string) string {
	return filepath.Join(append([]string{p.dir}, parts...)...)
}

func (p *play) run(ctx context.Context, dir string, headless bool) (err error) {
	if p.self, err = os.Executable(); err != nil {
		return err
	}
	if err := p.makeDir(dir); err != nil {
		return err
	}
	steps, err := readSteps()
	if err != nil {
		return err
	}
	p.say(welcome, p.dir)
	defer func() {
		err = errors.Join(err, p.stopCentre(false))
		if err != nil && ctx.Err() != nil {
			err = ctx.Err() // it was told to end; what broke off by that is no news
		}
	}()
	if err := p.startCentre(ctx); err != nil {
		return err
	}
	began := time.Now()
	for i, s := range steps {
		err := p.whileItRuns(ctx, func(ctx context.Context) error { return p.step(ctx, s, fmt.Sprintf("%2d/%d", i+1, len(steps))) })
		if err != nil {
			return fmt.Errorf("step %d of %d (%s): %w", i+1, len(steps), strings.Join(strings.Fields(s.Do+" "+s.Device+" "+s.File), " "), err)
		}
	}
	took := time.Since(began)
	if err := p.whileItRuns(ctx, func(ctx context.Context) error { return p.write(ctx, took) }); err != nil {
		return err
	}
	if headless {
		return nil
	}
	return p.serve(ctx)
}

func readSteps() (steps []step, err error) {
	b, err := demo.Files.ReadFile("steps.json")
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(b, &steps); err != nil {
		return nil, fmt.Errorf("steps.json: %w", err)
	}
	return steps, nil
}

func (p *play) makeDir(dir string) (err error) {
	if dir == "" {
		p.dir, err = os.MkdirTemp("", "ullage-demo-")
		return err
	}
	if p.dir, err = filepath.Abs(dir); err != nil {
		return err
	}
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		return err
	}
	entries, err := os.ReadDir(p.dir)
	if err != nil {
		return err
	}
	if len(entries) > 0 {
		return fmt.Errorf("%s is not empty: name a new folder, so that the demo overwrites nothing", dir)
	}
	return nil
}
