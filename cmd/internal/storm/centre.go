package storm

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"sync"

	"ullage/cmd/internal/syncdcli"
)

// centre is the process that is the centre: ullage-syncd serve, and an eye on what it uses.
type centre struct {
	ended  chan struct{} // closed when it has ended, with status; nil before it began
	status int

	before      usage
	stopProfile func() error
}

func (c *centre) obey(o order) (any, error) {
	switch o.Do {
	case "serve":
		return nil, c.serve(o.Dir)
	case "watch":
		return nil, c.watch(o.File)
	case "watched":
		return c.watched()
	}
	return nil, fmt.Errorf("a centre does not know how to %q", o.Do)
}

// serve serves the centre in a folder, and returns when it is ready.
func (c *centre) serve(dir string) error {
	ready := &firstLine{whole: make(chan struct{})}
	c.ended = make(chan struct{})
	go func() {
		defer close(c.ended)
		c.status = syncdcli.Main([]string{"serve", "--dir", dir, "--json"}, bytes.NewReader(nil), ready, os.Stderr)
	}()
	select {
	case <-ready.whole:
		return nil
	case <-c.ended:
		return errEnded
	}
}

var errEnded = errors.New("it has ended; its last words say why")

// firstLine tells when a line was written to it.
type firstLine struct {
	once  sync.Once
	whole chan struct{}
}

func (l *firstLine) Write(p []byte) (int, error) {
	if bytes.IndexByte(p, '\n') >= 0 {
		l.once.Do(func() { close(l.whole) })
	}
	return len(p), nil
}

// close ends the centre as somebody at its terminal would.
func (c *centre) close() error {
	if c.ended == nil {
		return nil
	}
	self, err := os.FindProcess(os.Getpid())
	if err == nil {
		err = self.Signal(os.Interrupt)
	}
	if err != nil {
		return err
	}
	if <-c.ended; c.status != 0 {
		return errEnded
	}
	return nil
}

// watch begins to count what the process uses, and to profile it where a file is named.
func (c *centre) watch(file string) (err error) {
	c.before = used()
	c.stopProfile, err = profile(file)
	return err
}

// watched is what the process has used since watch.
func (c *centre) watched() (usage, error) {
	u := used().since(c.before)
	return u, c.stopProfile()
}
