// Package command is what the three command lines have in common: data goes to stdout, words to stderr; exit status 0
// for done, 1 for an error, 2 for wrong usage; nothing half-written is left.
package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"
)

// Exit statuses.
const (
	Done   = 0
	Failed = 1
	Usage  = 2
)

// ErrSilent ends a command with status Failed when the words are out already.
var ErrSilent = errors.New("failed")

// usageError is an error in how a command was called.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

// Wrong makes an error of wrong usage.
func Wrong(format string, a ...any) error { return usageError{fmt.Errorf(format, a...)} }

// Args checks the number of arguments, from least to most.
func Args(least, most int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < least || len(args) > most {
			return Wrong("%s: usage: %s", c.Name(), c.UseLine())
		}
		return nil
	}
}

// Run runs root and returns the exit status. An interrupt or a request to end ends the context; a second one ends the
// program at once.
func Run(root *cobra.Command, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SilenceErrors, root.SilenceUsage = true, true
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return Wrong("%s: %w", c.CommandPath(), err) })
	if root.Args == nil {
		root.Args = func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return Wrong("there is no command %q; %s --help lists them", args[0], c.Name())
			}
			return nil
		}
	}
	if root.Run == nil && root.RunE == nil {
		root.RunE = func(c *cobra.Command, args []string) error {
			if err := c.Help(); err != nil {
				return err
			}
			return Wrong("say what to do")
		}
	}
	understood := false // so far that a command was begun
	root.PersistentPreRun = func(c *cobra.Command, _ []string) {
		understood = c.ValidateRequiredFlags() == nil && c.ValidateFlagGroups() == nil
	}
	c, err := root.ExecuteContextC(ctx)
	var usage usageError
	switch {
	case err == nil:
		return Done
	case errors.Is(err, ErrSilent):
		return Failed
	case errors.As(err, &usage) || !understood:
		fmt.Fprintf(stderr, "%s: %v\n%s --help tells how it is used.\n", root.Name(), err, c.CommandPath())
		return Usage
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		fmt.Fprintf(stderr, "%s: interrupted\n", root.Name())
		return Failed
	}
	fmt.Fprintf(stderr, "%s: %v\n", root.Name(), err)
	return Failed
}

// Input opens the file that an argument names; "-" or no argument is stdin.
func Input(args []string, stdin io.Reader) (io.ReadCloser, error) {
	if len(args) == 0 || args[0] == "-" {
		return io.NopCloser(stdin), nil
	}
	return os.Open(args[0])
}

// Progress tells now and then how far long work has come, where somebody watches.
type Progress struct {
	w     io.Writer
	what  string
	shown time.Time
	drawn bool
}

// NewProgress tells on w, if w is a terminal.
func NewProgress(w io.Writer, what string) *Progress {
	p := &Progress{what: what, shown: time.Now()}
	if Terminal(w) {
		p.w = w
	}
	return p
}

// Terminal tells whether somebody may be watching what is written.
func Terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// Step says that done of so many are done.
func (p *Progress) Step(done, of uint64) {
	if p.w == nil || time.Since(p.shown) < 200*time.Millisecond {
		return
	}
	p.shown, p.drawn = time.Now(), true
	fmt.Fprintf(p.w, "\r%s: %d of %d ", p.what, done, of)
}

// End clears the line.
func (p *Progress) End() {
	if p.drawn {
		fmt.Fprint(p.w, "\r\033[K")
	}
}
