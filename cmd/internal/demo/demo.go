// Package demo runs the whole job on an invented company, with real processes: a centre and three devices, which are
// this same program started again. The devices record without a network, one is killed while it writes, the centre is
// away for a while, and one device comes back eleven days late. What comes out is written to files, and shown.
//
// No process outlives the demo: each is ended on every way out, and ends by itself when the demo is killed, which it
// notices by the end of its standard input (Child).
package demo

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
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
			for _, name := range []string{"centre", "token-file"} {
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

// answer is what was said to a line with a key.
type answer struct {
	ID    string `json:"id"`
	Visit string `json:"visit"`
	Again bool   `json:"again"`
}

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
	p.say("Two weeks of an invented company, played in a few seconds. A centre and three devices run as processes of their own.\nAll that they write is in %s\n", p.dir)
	defer func() {
		err = errors.Join(err, p.stopCentre(false))
		if err != nil && ctx.Err() != nil {
			err = ctx.Err() // it was told to end; what broke off by that is no news
		}
	}()
	if err := p.startCentre(); err != nil {
		return err
	}
	began := time.Now()
	for i, s := range steps {
		if err := p.step(ctx, s, fmt.Sprintf("%2d/%d", i+1, len(steps))); err != nil {
			return fmt.Errorf("step %d of %d (%s): %w", i+1, len(steps), strings.Join(strings.Fields(s.Do+" "+s.Device+" "+s.File), " "), err)
		}
	}
	if err := p.write(ctx, time.Since(began)); err != nil {
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

// step does one step and tells it.
func (p *play) step(ctx context.Context, s step, at string) error {
	tell := func(who, format string, a ...any) { p.say("%s  %-7s "+format, append([]any{at, who}, a...)...) }
	switch s.Do {
	case "office":
		n, err := p.record(s, func(lines io.Reader) ([]byte, error) {
			return p.office(ctx, lines, "record", "--dir", p.path("centre"), "-")
		})
		if err == nil {
			tell("office", "enters %d lines; the centre has them", n)
		}
		return err
	case "record":
		d, err := p.device(ctx, s.Device)
		if err != nil {
			return err
		}
		n, err := p.record(s, func(lines io.Reader) ([]byte, error) { return p.agent(ctx, lines, "record", "--dir", d.dir, "-") })
		if err == nil {
			tell(s.Device, "records %d lines with no network; they are kept on its disk", n)
		}
		return err
	case "kill":
		n, kept, err := p.kill(ctx, s)
		if err == nil {
			tell(s.Device, "is killed while it records %d lines: %d were on its disk, the others are given again, none is there twice", n, kept)
		}
		return err
	case "sync":
		n, err := p.sync(ctx, s.Device)
		if err == nil {
			tell(s.Device, "finds a network and sends the %d records that waited; the centre has received them", n)
		}
		return err
	case "outage":
		tell("centre", "is killed; the devices do not notice and record on")
		return p.stopCentre(true)
	case "back":
		err := p.startCentre()
		if err == nil {
			tell("centre", "is back, on the same ports, with all that it had received")
		}
		return err
	}
	return fmt.Errorf("there is no step %q", s.Do)
}

// record gives the lines of a step to what records them, and says how many they were.
func (p *play) record(s step, give func(lines io.Reader) ([]byte, error)) (int, error) {
	lines, keys, err := p.read(s.File)
	if err != nil {
		return 0, err
	}
	out, err := give(bytes.NewReader(lines))
	if err != nil {
		return 0, err
	}
	_, err = p.listen(out, keys)
	return len(keys), err
}

// sync lets a device send what waits, and says how much that was.
func (p *play) sync(ctx context.Context, name string) (int, error) {
	d, err := p.device(ctx, name)
	if err != nil {
		return 0, err
	}
	before, err := p.status(ctx, d)
	if err != nil {
		return 0, err
	}
	_, err = p.agent(ctx, nil, "sync", "--dir", d.dir)
	return before.Waiting, err
}

// read fills in what lines say of earlier ones: "key:<k>" is the visit of that answer under visit and since, and its
// id anywhere else. It returns the lines and their keys.
func (p *play) read(file string) (lines []byte, keys []string, err error) {
	b, err := demo.Files.ReadFile(file)
	if err != nil {
		return nil, nil, err
	}
	var out bytes.Buffer
	in := bufio.NewScanner(bytes.NewReader(b))
	in.Buffer(nil, 1<<20)
	for n := 1; in.Scan(); n++ {
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		d := json.NewDecoder(bytes.NewReader(in.Bytes()))
		d.UseNumber() // numbers stay as they are written
		var line map[string]any
		if err := d.Decode(&line); err != nil {
			return nil, nil, fmt.Errorf("%s: line %d: %w", file, n, err)
		}
		filled, err := p.fill("", line)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: line %d: %w", file, n, err)
		}
		key, _ := line["key"].(string)
		keys = append(keys, key)
		if err := json.NewEncoder(&out).Encode(filled); err != nil {
			return nil, nil, err
		}
	}
	return out.Bytes(), keys, in.Err()
}

func (p *play) fill(field string, v any) (any, error) {
	var err error
	switch v := v.(type) {
	case map[string]any:
		for k := range v {
			if v[k], err = p.fill(k, v[k]); err != nil {
				return nil, err
			}
		}
	case []any:
		for i := range v {
			if v[i], err = p.fill(field, v[i]); err != nil {
				return nil, err
			}
		}
	case string:
		key, ok := strings.CutPrefix(v, "key:")
		if !ok {
			return v, nil
		}
		a, ok := p.said[key]
		if !ok {
			return nil, fmt.Errorf("no earlier line has the key %q", key)
		}
		if field == "visit" || field == "since" {
			return a.Visit, nil
		}
		return a.ID, nil
	}
	return v, nil
}

// listen keeps the answers to lines with keys, and counts those that were there already.
func (p *play) listen(out []byte, keys []string) (again int, err error) {
	d := json.NewDecoder(bytes.NewReader(out))
	for _, key := range keys {
		var a answer
		if err := d.Decode(&a); err != nil {
			return again, fmt.Errorf("the answer to a line: %w", err)
		}
		if a.Again {
			again++
		} else {
			p.lines++
		}
		if key != "" {
			p.said[key] = a
		}
	}
	return again, nil
}

// kill records line by line, kills the device's process in the middle, and gives all lines again. It says how many
// lines there were, and how many of them the process had kept.
func (p *play) kill(ctx context.Context, s step) (lines, kept int, err error) {
	text, keys, err := p.read(s.File)
	if err != nil {
		return 0, 0, err
	}
	d, err := p.device(ctx, s.Device)
	if err != nil {
		return 0, 0, err
	}
	answered, err := p.recordAndKill(ctx, d, text, len(keys)/2)
	if err != nil {
		return 0, 0, err
	}
	out, err := p.agent(ctx, bytes.NewReader(text), "record", "--dir", d.dir, "-")
	if err != nil {
		return 0, 0, err
	}
	kept, err = p.listen(out, keys)
	if err != nil {
		return 0, 0, err
	}
	if kept < answered {
		return 0, 0, fmt.Errorf("%d lines were answered before the process was killed, and only %d were kept", answered, kept)
	}
	p.lines += kept
	return len(keys), kept, nil
}

// recordAndKill kills a device's process once it has answered so many lines, and says how many it did answer.
func (p *play) recordAndKill(ctx context.Context, d *device, lines []byte, most int) (answered int, err error) {
	cmd := as(exec.CommandContext(ctx, p.self, "record", "--dir", d.dir, "--stream", "-"), "agent")
	in, err := cmd.StdinPipe()
	if err != nil {
		return 0, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	// The input is left open, so that the process cannot end before it is killed. Writing ends with the process.
	go io.Copy(in, bytes.NewReader(lines))
	for r := bufio.NewScanner(out); answered < most && r.Scan(); {
		answered++
	}
	killed := cmd.Process.Kill()
	ended := cmd.Wait()
	switch {
	case killed != nil:
		return 0, killed
	case answered < most:
		return 0, fmt.Errorf("the process ended by itself after %d of %d lines: %v", answered, most, ended)
	}
	return answered, nil
}

// device is the device of that name, enrolled at the first time.
func (p *play) device(ctx context.Context, name string) (*device, error) {
	if d, ok := p.devices[name]; ok {
		return d, nil
	}
	out, err := p.office(ctx, nil, "enrol", "--dir", p.path("centre"), "--json", name)
	if err != nil {
		return nil, err
	}
	var code struct {
		Code string `json:"code"`
	}
	if err := json.Unmarshal(out, &code); err != nil {
		return nil, err
	}
	d := &device{name, p.path(name)}
	if _, err := p.agent(ctx, strings.NewReader(code.Code+"\n"), "enrol", "--dir", d.dir, "--code", "-"); err != nil {
		return nil, err
	}
	p.devices[name], p.order = d, append(p.order, name)
	return d, nil
}

// status is what a device says of itself.
type status struct {
	Device   string          `json:"device"`
	Records  int             `json:"records"`
	Received int             `json:"received"`
	Waiting  int             `json:"waiting"`
	Head     json.RawMessage `json:"head"`
}

func (p *play) status(ctx context.Context, d *device) (s status, err error) {
	out, err := p.agent(ctx, nil, "status", "--dir", d.dir, "--json")
	if err != nil {
		return s, err
	}
	return s, json.Unmarshal(out, &s)
}
