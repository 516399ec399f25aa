package demo

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os/exec"
	"strings"
)

// step does one step and tells it.
func (p *play) step(ctx context.Context, s step, at string) error {
	tell := func(who, format string, a ...any) { p.say("%s  %-7s "+format, append([]any{at, who}, a...)...) }
	switch s.Do {
	case "office":
		l, err := p.record(s, func(lines io.Reader) ([]byte, error) {
			return p.office(ctx, lines, "record", "--dir", p.path("centre"), "-")
		})
		if err == nil {
			tell("office", "enters %s: received", l)
		}
		return err
	case "record":
		d, err := p.device(ctx, s.Device)
		if err != nil {
			return err
		}
		l, err := p.record(s, func(lines io.Reader) ([]byte, error) { return p.agent(ctx, lines, "record", "--dir", d.dir, "-") })
		if err == nil {
			tell(s.Device, "without a network, records %s: kept", l)
		}
		return err
	case "kill":
		l, kept, err := p.kill(ctx, s)
		if err == nil {
			tell(s.Device, "is killed while it records %s: %d were kept; all are given again, none is there twice", l, kept)
		}
		return err
	case "sync":
		n, err := p.sync(ctx, s.Device)
		if err == nil {
			tell(s.Device, "finds a network and sends %d records: received", n)
		}
		return err
	case "outage":
		tell("centre", "is killed; the devices go on without it")
		return p.stopCentre(true)
	case "back":
		err := p.startCentre(ctx)
		if err == nil {
			tell("centre", "is back, with all that it had received")
		}
		return err
	}
	return fmt.Errorf("there is no step %q", s.Do)
}

// record gives the lines of a step to what records them.
func (p *play) record(s step, give func(lines io.Reader) ([]byte, error)) (lines, error) {
	l, err := p.read(s.File)
	if err != nil {
		return l, err
	}
	out, err := give(bytes.NewReader(l.text))
	if err != nil {
		return l, err
	}
	_, err = p.listen(out, l.keys)
	return l, err
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

// kill records line by line, kills the device's process in the middle, and gives all lines again. It says how many of
// them the process had kept.
func (p *play) kill(ctx context.Context, s step) (l lines, kept int, err error) {
	if l, err = p.read(s.File); err != nil {
		return l, 0, err
	}
	d, err := p.device(ctx, s.Device)
	if err != nil {
		return l, 0, err
	}
	answered, err := p.recordAndKill(ctx, d, l.text, len(l.keys)/2)
	if err != nil {
		return l, 0, err
	}
	out, err := p.agent(ctx, bytes.NewReader(l.text), "record", "--dir", d.dir, "-")
	if err != nil {
		return l, 0, err
	}
	if kept, err = p.listen(out, l.keys); err != nil {
		return l, 0, err
	}
	if kept < answered {
		return l, 0, fmt.Errorf("%d lines were answered before the process was killed, and only %d were kept", answered, kept)
	}
	p.lines += kept
	return l, kept, nil
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
