package demo

import (
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
)

// command makes this program run as another.
func (p *play) command(ctx context.Context, as string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, p.self, args...)
	cmd.Env = append(os.Environ(), AsVariable+"="+as)
	return cmd
}

// agent runs a device's command to its end and returns what it printed.
func (p *play) agent(ctx context.Context, stdin io.Reader, args ...string) ([]byte, error) {
	cmd := p.command(ctx, "agent", args...)
	cmd.Stdin = stdin
	var words bytes.Buffer
	cmd.Stderr = &words
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %s", args[0], err, strings.TrimSpace(words.String()))
	}
	return out, nil
}

// process is a program that runs beside this one, its words in a file.
type process struct {
	cmd   *exec.Cmd
	words *os.File
	done  chan error
}

func (p *play) start(ctx context.Context, as, log string, args ...string) (*process, error) {
	words, err := os.OpenFile(p.path(log), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	cmd := p.command(ctx, as, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 20 * time.Second
	cmd.Stdout, cmd.Stderr = words, words
	if err := cmd.Start(); err != nil {
		return nil, errors.Join(err, words.Close())
	}
	proc := &process{cmd, words, make(chan error, 1)}
	go func() { proc.done <- cmd.Wait() }()
	return proc, nil
}

// stop ends a process, at once where hard.
func (q *process) stop(hard bool) error {
	if hard {
		if err := q.cmd.Process.Kill(); err != nil {
			return err
		}
		<-q.done // it was killed: that it did not end well is no news
		return q.words.Close()
	}
	if err := q.cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case err := <-q.done:
		return errors.Join(err, q.words.Close())
	case <-time.After(20 * time.Second):
		return errors.Join(errors.New("it does not end; it is killed"), q.cmd.Process.Kill(), q.words.Close())
	}
}

// await reads a file of JSON that a process writes when it is ready.
func (q *process) await(path string, to any) error {
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		select {
		case err := <-q.done:
			q.done <- err
			return fmt.Errorf("it ended: %v; its words are in %s", err, q.words.Name())
		default:
		}
		b, err := os.ReadFile(path)
		if err == nil && json.Unmarshal(b, to) == nil {
			return nil
		}
	}
	return fmt.Errorf("it is not ready after a minute; its words are in %s", q.words.Name())
}

// startCentre starts the centre and waits until it listens.
func (p *play) startCentre(ctx context.Context) error {
	// What a killed centre left must not be taken for news.
	if err := os.Remove(p.path("centre", "centre.json")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	var err error
	if p.centre, err = p.start(ctx, "syncd", "centre.log", "serve", "--dir", p.path("centre")); err != nil {
		return err
	}
	var addresses map[string]string
	if err := p.centre.await(p.path("centre", "centre.json"), &addresses); err != nil {
		return fmt.Errorf("the centre: %w", err)
	}
	return nil
}

func (p *play) stopCentre(hard bool) error {
	if p.centre == nil {
		return nil
	}
	c := p.centre
	p.centre = nil
	if err := c.stop(hard); err != nil {
		return fmt.Errorf("the centre: %w", err)
	}
	return nil
}

// serve shows the office's page and a device's page until ctx ends.
func (p *play) serve(ctx context.Context) error {
	d := p.devices[p.order[0]]
	run, err := p.start(ctx, "agent", d.name+".log", "run", "--dir", d.dir)
	if err != nil {
		return err
	}
	var page struct {
		URL string `json:"url"`
	}
	if err := run.await(filepath.Join(d.dir, "agent.json"), &page); err != nil {
		return errors.Join(fmt.Errorf("the device: %w", err), run.stop(true))
	}
	link, err := p.officeLink()
	if err != nil {
		return errors.Join(err, run.stop(false))
	}
	p.say("\nthe office's page  %s\n                   (the link works once, for one browser)\n%s's page       %s\n\nCtrl-C ends the demo.", link, d.name, page.URL)
	<-ctx.Done()
	return run.stop(false)
}

// officeLink finds the link that the centre printed last.
func (p *play) officeLink() (string, error) {
	b, err := os.ReadFile(p.path("centre.log"))
	if err != nil {
		return "", err
	}
	link := ""
	for _, word := range strings.Fields(string(b)) {
		if strings.HasPrefix(word, "http://") && strings.Contains(word, "/in?ticket=") {
			link = word
		}
	}
	if link == "" {
		return "", errors.New("the centre printed no link to its pages")
	}
	return link, nil
}
