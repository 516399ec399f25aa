package agentcli

import (
	"bufio"
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"ullage/agent"
	"ullage/cmd/internal/command"
)

func (c *cli) status() *cobra.Command {
	return c.does(&cobra.Command{
		Use:   "status",
		Short: "What is kept, what waits, why and since when",
	}, func(context.Context, []string) error {
		s, err := agent.Look(c.dir)
		if err != nil {
			return err
		}
		if c.json {
			return c.print(s)
		}
		fmt.Fprintf(c.stdout, "device     %s\nkept       %d\nreceived   %d\n%s\n", s.Device, s.Records, s.Received, s)
		if s.LastSync != nil {
			fmt.Fprintf(c.stdout, "last sync  %s\n", moment(*s.LastSync))
		} else {
			fmt.Fprintln(c.stdout, "last sync  never")
		}
		if r := s.Receipt; r != nil {
			fmt.Fprintf(c.stdout, "receipt    by %s: up to record %d, received %s, message %d\n", r.Gate, r.Last, moment(r.Received), r.Message)
		}
		if l := s.Log; l != nil {
			fmt.Fprintf(c.stdout, "log        checked up to %d (%s)\n", l.Size, l.Origin)
		}
		for _, b := range s.Before {
			fmt.Fprintf(c.stdout, "before     %s, which has forked: %d kept, %d received; %s\n", b.Device, b.Records, b.Received, b)
		}
		for _, a := range s.Alarms {
			fmt.Fprintf(c.stdout, "ALARM      %s\n", a)
		}
		return nil
	})
}

// moment writes a time for people.
func moment(s string) string {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return s
	}
	return t.Format("2006-01-02 15:04:05 -07:00")
}

func (c *cli) check() *cobra.Command {
	return c.does(&cobra.Command{
		Use:   "check",
		Short: "Read everything that is kept, and say what is wrong and what to do",
		Long: `Read everything that is kept on this device: every record and its place in the chain, every seal and receipt, and
whether the evidence that records name is here. Exit status 1 where something is wrong.`,
	}, func(ctx context.Context, _ []string) error {
		report, err := agent.Check(ctx, c.dir)
		if err != nil {
			return err
		}
		if c.json {
			if err := c.print(report); err != nil {
				return err
			}
		} else {
			fmt.Fprintf(c.stdout, "%d records, %d seals, %d receipts, %d pieces of evidence read\n", report.Records, report.Seals, report.Receipts, report.Evidence)
			for _, p := range report.Problems {
				fmt.Fprintf(c.stdout, "WRONG  %s\n       %s\n", p.What, p.Do)
			}
			for _, n := range report.Notes {
				fmt.Fprintf(c.stdout, "note   %s\n", n)
			}
		}
		if len(report.Problems) > 0 {
			c.say("ullage-agent: something is wrong with this device")
			return command.ErrSilent
		}
		return nil
	})
}

func (c *cli) export() *cobra.Command {
	var format string
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Print the device's own records as entry lines",
		Long: `Print the device's own records, in their order, as entry lines, one a line. Read back with record, they give the same
content.`,
	}
	c.does(cmd, func(ctx context.Context, _ []string) error {
		if format != "ndjson" {
			return command.Wrong("--format %s is not known here; there is ndjson", format)
		}
		w := bufio.NewWriterSize(c.stdout, 64<<10)
		if err := agent.Export(ctx, c.dir, w); err != nil {
			w.Flush() // as far as it went
			return err
		}
		return w.Flush()
	})
	cmd.Flags().StringVar(&format, "format", "ndjson", "form of the lines: ndjson")
	cmd.RegisterFlagCompletionFunc("format", cobra.FixedCompletions([]string{"ndjson"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}
