// Package syncdcli is the command line of the centre.
package syncdcli

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/desk"
	"ullage/syncd"
)

// Main runs the command line and returns the exit status.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := &cobra.Command{
		Use:   "ullage-syncd",
		Short: "The centre of Ullage: takes what devices push, keeps it, and answers the office",
		Long: `ullage-syncd is the centre: a broker with its streams, the gate that devices push through, the read model and the
office's pages, in one process and one folder.

  ullage-syncd serve --dir D      runs it; D is made at the first start
  ullage-syncd rebuild --dir D    builds the read model anew from the stream, while the centre does not run`,
	}
	root.AddCommand(serve(), rebuild())
	return command.Run(root, args, stdin, stdout, stderr)
}

// withDir adds the flag --dir.
func withDir(cmd *cobra.Command, dir *string) {
	cmd.Flags().StringVar(dir, "dir", os.Getenv("ULLAGE_DIR"), "folder of the centre")
}

func open(ctx context.Context, dir string, log *slog.Logger) (*syncd.Centre, error) {
	if dir == "" {
		return nil, command.Wrong("name the folder of the centre: --dir D")
	}
	return syncd.Open(ctx, syncd.Config{Dir: dir, Log: log, OpenDesk: desk.Opener(log)})
}

func serve() *cobra.Command {
	var dir string
	var verbose bool
	cmd := &cobra.Command{
		Use: "serve", Short: "Run the centre until it is told to end", Args: command.Args(0, 0),
		Long: `serve runs the centre. The first start picks free ports on this machine and keeps them in the folder. When everything
listens, it prints the addresses and writes them to D/centre.json: nats (where devices connect), enrol, office.

This version listens on this machine only (127.0.0.1).`,
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			level := slog.LevelInfo
			if verbose {
				level = slog.LevelDebug
			}
			log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: level}))
			c, err := open(cmd.Context(), dir, log)
			if err != nil {
				return err
			}
			defer func() {
				if e := c.Close(); err == nil {
					err = e
				}
			}()
			fmt.Fprintln(cmd.ErrOrStderr(), "Only this folder holds the keys and the office's journal: copy it where a fire does not reach, until there is a second place for them.")
			return c.Serve(cmd.Context(), func(a syncd.Addresses, link string) {
				fmt.Fprintf(cmd.OutOrStdout(), "devices connect to  %s\ndevices enrol at    %s\nthe office is at    %s\n", a.NATS, a.Enrol, a.Office)
				fmt.Fprintf(cmd.OutOrStdout(), "open its pages with %s (works once)\n", link)
			})
		},
	}
	withDir(cmd, &dir)
	cmd.Flags().BoolVar(&verbose, "verbose", false, "log the broker's doings too")
	return cmd
}

func rebuild() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use: "rebuild", Short: "Build the read model anew from the stream", Args: command.Args(0, 0),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			c, err := open(cmd.Context(), dir, slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelWarn})))
			if err != nil {
				return err
			}
			defer func() {
				if e := c.Close(); err == nil {
					err = e
				}
			}()
			progress := command.NewProgress(cmd.ErrOrStderr(), "deliveries")
			defer progress.End()
			var last uint64
			if err := c.Rebuild(cmd.Context(), func(done, of uint64) {
				last = done
				progress.Step(done, of)
			}); err != nil {
				return err
			}
			progress.End()
			fmt.Fprintf(cmd.ErrOrStderr(), "The read model is built anew from %d deliveries.\n", last)
			return nil
		},
	}
	withDir(cmd, &dir)
	return cmd
}
