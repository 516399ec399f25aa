package storm

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"ullage/events"
)

// AsVariable names the environment variable by which this program, started again, is one of a storm's other processes.
const AsVariable = "ULLAGE_STORM_AS"

// Child is what the process does that AsVariable makes another: it takes orders from its standard input until that
// ends. It returns the exit status; ok is false where the process is nobody's child.
func Child() (status int, ok bool) {
	as := os.Getenv(AsVariable)
	if as == "" {
		return 0, false
	}
	var who interface {
		obey(order) (any, error)
		close() error
	} = &crew{}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	if as == "centre" {
		who = &centre{}
	}
	answers := json.NewEncoder(os.Stdout)
	for orders := json.NewDecoder(os.Stdin); ; {
		var o order
		err := orders.Decode(&o)
		if err == nil {
			var a answer
			if a.Answer, err = who.obey(o); err != nil {
				a.Error = err.Error()
			}
			err = answers.Encode(a)
		}
		switch {
		case errors.Is(err, io.EOF):
			if err = who.close(); err == nil {
				return 0, true
			}
			fallthrough
		case err != nil:
			log.Error("the end", "error", err)
			return 1, true
		}
	}
}

// order is what a child is told to do, a line of JSON.
type order struct {
	Do      string            `json:"do"`
	Dir     string            `json:"dir,omitempty"`
	Centre  string            `json:"centre,omitempty"` // its folder
	Names   []events.DeviceID `json:"names,omitempty"`
	Records int               `json:"records,omitempty"`
	At      int64             `json:"at,omitempty"` // Unix time in nanoseconds
	File    string            `json:"file,omitempty"`
}

// answer is what it says when it has, or why it could not.
type answer struct {
	Answer any    `json:"answer,omitempty"`
	Error  string `json:"error,omitempty"`
}

// child is another process of this program. What it logs is in a file of its name.
type child struct {
	name   string
	cmd    *exec.Cmd
	orders io.WriteCloser
	lines  *bufio.Reader
	words  *os.File
}

func start(dir, name string) (_ *child, err error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	c := &child{name: name, cmd: exec.Command(self)}
	as, _, _ := strings.Cut(name, "-")
	c.cmd.Env = append(os.Environ(), AsVariable+"="+as)
	if c.words, err = os.OpenFile(filepath.Join(dir, name+".log"), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600); err != nil {
		return nil, err
	}
	c.cmd.Stderr = c.words
	apart(c.cmd)
	out, err := c.cmd.StdoutPipe()
	if err == nil {
		c.orders, err = c.cmd.StdinPipe()
	}
	if err == nil {
		err = c.cmd.Start()
	}
	if err != nil {
		return nil, errors.Join(err, c.words.Close())
	}
	c.lines = bufio.NewReader(out)
	return c, nil
}

// ask gives an order and waits for the answer, which it puts into to unless that is nil. When ctx ends first, the child
// is killed.
func (c *child) ask(ctx context.Context, o order, to any) error {
	defer context.AfterFunc(ctx, func() { c.cmd.Process.Kill() })()
	if err := json.NewEncoder(c.orders).Encode(o); err != nil {
		return c.gone(ctx, err)
	}
	line, err := c.lines.ReadBytes('\n')
	if err != nil {
		return c.gone(ctx, err)
	}
	var a struct {
		Answer json.RawMessage
		Error  string
	}
	if err := json.Unmarshal(line, &a); err != nil {
		return fmt.Errorf("%s: %w", c.name, err)
	}
	if a.Error != "" {
		return fmt.Errorf("%s: %s", c.name, a.Error)
	}
	if to == nil {
		return nil
	}
	return json.Unmarshal(a.Answer, to)
}

func (c *child) gone(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("%s has ended, its words are in %s: %w", c.name, c.words.Name(), err)
}

// end lets the child end, and returns when it has.
func (c *child) end() error {
	c.orders.Close()
	err := c.cmd.Wait()
	if err != nil {
		err = fmt.Errorf("%s, whose words are in %s: %w", c.name, c.words.Name(), err)
	}
	return errors.Join(err, c.words.Close())
}
