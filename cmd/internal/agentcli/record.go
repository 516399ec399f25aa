package agentcli

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"

	"github.com/spf13/cobra"

	"ullage/agent"
	"ullage/cmd/internal/command"
	"ullage/events/entry"
)

func (c *cli) record() *cobra.Command {
	var stream bool
	cmd := c.does(&cobra.Command{
		Use:   "record [FILE or -]",
		Short: "Keep entry lines as records",
		Long: `Keep entry lines, one JSON object a line, as records. Without FILE, or with -, they are read from standard input.

For each record one line {"seq","id","visit"} is printed when it is kept on this machine's disk. All lines of a call are
kept, or none: a bad line is named, nothing is printed on standard output, and the exit status is 1.

With --stream each line is kept and answered by itself, as it comes; a bad one is answered with {"line","error"}, and the
rest goes on. The exit status is 1 if any line was bad.`,
		Example: `  ullage-agent record visit.ndjson
  echo '{"kind":"visit.opened","site":"north-yard","visit":"v1","by":"T2","body":{"reason":"planned"}}' | ullage-agent record -`,
		Args: command.Args(0, 1),
	}, func(ctx context.Context, args []string) error {
		in, err := c.input(args)
		if err != nil {
			return err
		}
		defer in.Close()
		if stream {
			return c.stream(ctx, in)
		}
		return c.recordAll(ctx, in)
	})
	cmd.Flags().BoolVar(&stream, "stream", false, "keep and answer line by line")
	return cmd
}

// recordAll keeps all lines or none.
func (c *cli) recordAll(ctx context.Context, in io.Reader) error {
	// Reading can take as long as somebody types. Nobody else should wait for the device as long.
	lines, err := io.ReadAll(io.LimitReader(in, entry.MaxInput+1))
	if err != nil {
		return err
	}
	way, err := agent.Reach(ctx, c.dir, c.config(slog.LevelWarn))
	if err != nil {
		return err
	}
	defer way.Close()
	answers, err := way.Record(ctx, bytes.NewReader(lines))
	if err != nil {
		return err
	}
	for _, a := range answers {
		if err := c.answer(a); err != nil {
			return err
		}
	}
	return nil
}

// input opens what is to be read.
func (c *cli) input(args []string) (io.ReadCloser, error) {
	if (len(args) == 0 || args[0] == "-") && terminal(c.stdin) {
		c.say("reading entry lines from the keyboard; end with Ctrl-D")
	}
	return command.Input(args, c.stdin)
}

// answer prints what became of a line.
func (c *cli) answer(a entry.Answer) error {
	if a.Warning != "" {
		c.say("record %d: %s", a.Seq, a.Warning)
	}
	return c.print(a)
}

// stream keeps line by line.
func (c *cli) stream(ctx context.Context, in io.Reader) error {
	way, err := agent.Reach(ctx, c.dir, c.config(slog.LevelWarn))
	if err != nil {
		return err
	}
	defer way.Close()
	bad, err := way.Stream(ctx, in, c.answer, func(e *entry.LineError) error {
		return c.print(struct {
			Line  int    `json:"line"`
			Error string `json:"error"`
		}{e.Line, agent.LineText(e)})
	})
	switch {
	case err != nil:
		return err
	case bad == 1:
		return fmt.Errorf("1 line was bad and was not kept")
	case bad > 1:
		return fmt.Errorf("%d lines were bad and were not kept", bad)
	}
	return nil
}
