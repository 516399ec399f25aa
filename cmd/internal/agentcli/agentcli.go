// Package agentcli is the device's command line.
//
// Rules for output: data goes to stdout, words go to stderr. A command that succeeded ends with exit status 0, one that
// did not with 1, and one that was asked in a way it does not understand with 2. An error is one line that says what to
// do where something can be done. Progress is shown where stderr is a terminal.
package agentcli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"

	"github.com/spf13/cobra"

	"ullage/agent"
	"ullage/cmd/internal/command"
)

const about = `ullage-agent is the device's half of Ullage: it keeps a technician's records on this machine, with or
without a network, and brings them to the centre whenever it can be reached.

A device lives in one folder (--dir). The office hands out a one-time code; with it:

  ullage-agent enrol --code U1-…        once: makes the keys, and the folder
  ullage-agent run                      keeps in touch with the centre, serves the page on this machine
  ullage-agent record visit.ndjson      keeps entry lines
  ullage-agent status                   what waits, why and since when

"kept" means on this machine's disk, "received" means on the centre's disk, with a signed receipt here;
what is kept and not received yet is "waiting".`

// Main runs the command line and returns its exit status.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	c := &cli{stdin: stdin, stdout: stdout, stderr: stderr}
	return command.Run(c.root(), args, stdin, stdout, stderr)
}

type cli struct {
	stdin          io.Reader
	stdout, stderr io.Writer

	dir  string
	json bool
}

func (c *cli) root() *cobra.Command {
	root := &cobra.Command{Use: "ullage-agent", Short: "The device's half of Ullage", Long: about}
	root.PersistentFlags().StringVar(&c.dir, "dir", defaultDir(), "the device's folder")
	root.PersistentFlags().BoolVar(&c.json, "json", false, "print results as JSON")
	root.AddCommand(c.enrol(), c.run(), c.record(), c.sync(), c.status(), c.check(), c.export(), c.renew())
	return root
}

// does makes a command of a function, which is called once the arguments are in order.
func (c *cli) does(cmd *cobra.Command, do func(ctx context.Context, args []string) error) *cobra.Command {
	if cmd.Args == nil {
		cmd.Args = command.Args(0, 0)
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if c.dir == "" {
			return command.Wrong("--dir must name the device's folder")
		}
		return do(cmd.Context(), args)
	}
	return cmd
}

// defaultDir is the folder of a user's device where none is named; empty where the system names no place for such.
func defaultDir() string {
	above, err := os.UserConfigDir()
	if err != nil {
		return ""
	}
	return filepath.Join(above, "ullage-agent")
}

// config is the device's surroundings, as the command line has them. What somebody should know is told on stderr; run
// tells more.
func (c *cli) config(least slog.Level) agent.Config {
	noTime := func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey && least > slog.LevelInfo {
			return slog.Attr{}
		}
		return a
	}
	return agent.Config{Software: software(), Log: slog.New(slog.NewTextHandler(c.stderr, &slog.HandlerOptions{Level: least, ReplaceAttr: noTime}))}
}

// software says what this is, for the centre.
func software() string {
	name := "ullage-agent"
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		name += " " + info.Main.Version
	}
	return name[:min(len(name), 64)]
}

// print writes v as one line of JSON.
func (c *cli) print(v any) error {
	e := json.NewEncoder(c.stdout)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// say writes words.
func (c *cli) say(format string, a ...any) { fmt.Fprintf(c.stderr, format+"\n", a...) }

// terminal tells whether w is one.
func terminal(w any) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
