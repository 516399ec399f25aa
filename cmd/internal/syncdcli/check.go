package syncdcli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/officecli"
	"ullage/syncd"
	"ullage/syncd/office"
	"ullage/syncd/trust/disk"
)

func check(dir *string) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use: "check", Short: "Look after the centre, and say what is wrong and what to do", Args: command.Args(0, 0),
		Long: `check looks at records, streams, public log, the office's journal, disk, clock, certificate and alarms, whether the centre runs
or not, and says in plain words how each stands. It exits with 1 where something is bad.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := centreIn(*dir); err != nil {
				return err
			}
			var findings []office.Finding
			err := with(cmd, syncd.Config{Dir: *dir, Unsynced: true}, slog.LevelError, func(ctx context.Context, c *syncd.Centre) error {
				if err := c.Rebuild(ctx, nil); err != nil { // nobody follows the stream here
					return err
				}
				findings = c.Check(ctx)
				return nil
			})
			if errors.Is(err, disk.ErrHeld) { // it runs: it is asked
				findings, err = officecli.Check(cmd.Context(), *dir)
			}
			if err != nil {
				return err
			}
			if asJSON {
				err = json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"findings": findings})
			} else {
				err = printFindings(cmd.OutOrStdout(), findings)
			}
			for _, f := range findings {
				if err == nil && f.State == office.Bad {
					return command.ErrSilent
				}
			}
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func printFindings(w io.Writer, findings []office.Finding) error {
	for _, f := range findings {
		if _, err := fmt.Fprintf(w, "%-6s  %s: %s\n", f.State, f.What, f.Say); err != nil {
			return err
		}
		if f.Do != "" {
			if _, err := fmt.Fprintf(w, "        do: %s\n", f.Do); err != nil {
				return err
			}
		}
	}
	return nil
}
