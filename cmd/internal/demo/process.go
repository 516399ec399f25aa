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

// as makes a command of this program run as another.
func as(cmd *exec.Cmd, other string) *exec.Cmd {
	cmd.Env = append(os.Environ(), AsVariable+"="+other)
	return cmd
}

// agent runs a device's command to its end and returns what it printed.
func (p *play) agent(ctx context.Context, stdin io.Reader, args ...string) ([]byte, error) {
	cmd := as(exec.CommandContext(ctx, p.self, args...), "agent")
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
	ended chan struct{} // closed when it has ended, with err
	err   error
	told  bool // by gone
}

// start starts a program that runs until it is stopped.
func (p *play) start(other, log string, args ...string) (*process, error) {
	words, err := os.OpenFile(p.path(log), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	cmd := as(exec.Command(p.self, args...), other)
	apart(cmd)
	cmd.Stdout, cmd.Stderr = words, words
	_, err = cmd.StdinPipe() // stays open as long as we live; see Child
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return nil, errors.Join(err, words.Close())
	}
	q := &process{cmd: cmd, words: words, ended: make(chan struct{})}
	go func() {
		q.err = cmd.Wait()
		close(q.ended)
	}()
	return q, nil
}

// How long a process has to end by itself.
const endTime = 20 * time.Second

// Child lets this process end when the one that started it does, however that ends: its standard input ends then.
func Child() {
	go func() {
		io.Copy(io.Discard, os.Stdin)
		self, err := os.FindProcess(os.Getpid())
		if err != nil || self.Signal(os.Interrupt) != nil {
			os.Exit(1)
		}
	}()
}

// stop ends a process, at once where hard.
func (q *process) stop(hard bool) error {
	defer q.words.Close()
	if hard {
		if err := q.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return err
		}
		<-q.ended // it was killed: that it did not end well is no news
		return nil
	}
	if err := q.cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case <-q.ended:
		if q.told {
			return nil
		}
		return q.err
	case <-time.After(endTime):
		err := q.cmd.Process.Kill()
		<-q.ended
		return errors.Join(errors.New("it did not end, and was killed"), err)
	}
}

// gone says that a process has ended which should not have, and why, where it said so.
func (q *process) gone() error {
	q.told = true
	b, err := os.ReadFile(q.words.Name())
	if err != nil {
		return err
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	if last := lines[len(lines)-1]; strings.HasPrefix(last, "ullage-") {
		return errors.New(last)
	}
	return fmt.Errorf("it ended (%w); its words are in %s", q.err, q.words.Name())
}

// whileItRuns does something that needs the centre, and breaks it off if that ends by itself.
func (p *play) whileItRuns(ctx context.Context, do func(ctx context.Context) error) error {
	c := p.centre
	if c == nil {
		return do(ctx)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-c.ended:
			cancel()
		case <-ctx.Done():
		}
	}()
	err := do(ctx)
	if err == nil || p.centre != c {
		return err
	}
	select {
	case <-c.ended:
		return fmt.Errorf("the centre: %w", c.gone())
	default:
		return err
	}
}

// await reads a file of JSON that a process writes when it is ready.
func (q *process) await(ctx context.Context, path string, to any) error {
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		select {
		case <-q.ended:
			return q.gone()
		case <-ctx.Done():
			return ctx.Err()
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
func (p *play) startCentre(ctx context.Context) (err error) {
	// What a killed centre left must not be taken for news.
	if err := os.Remove(p.path("centre", "centre.json")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if p.centre, err = p.start("syncd", "centre.log", "serve", "--dir", p.path("centre")); err != nil {
		return err
	}
	var addresses map[string]string
	if err := p.centre.await(ctx, p.path("centre", "centre.json"), &addresses); err != nil {
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
func (p *play) serve(ctx context.Context) (err error) {
	d := p.devices[p.order[0]]
	run, err := p.start("agent", d.name+".log", "run", "--dir", d.dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, run.stop(false)) }()
	var page struct {
		URL string `json:"url"`
	}
	if err := run.await(ctx, filepath.Join(d.dir, "agent.json"), &page); err != nil {
		return fmt.Errorf("%s: %w", d.name, err)
	}
	link, err := p.office(ctx, nil, "link", "--dir", p.path("centre"))
	if err != nil {
		return err
	}
	p.say("\nLook at it in a browser on this machine:\n  the office    %s  (works once, for one browser)\n  device %s  %s\nCtrl-C ends the demo.", strings.TrimSpace(string(link)), d.name, page.URL)
	select {
	case <-ctx.Done():
		return nil
	case <-p.centre.ended:
		return fmt.Errorf("the centre: %w", p.centre.gone())
	case <-run.ended:
		return fmt.Errorf("%s: %w", d.name, run.gone())
	}
}
