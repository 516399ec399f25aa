// Package syncdcli is the command line of the centre.
package syncdcli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/desk"
	"ullage/syncd"
)

// Main runs the command line and returns the exit status.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var dir string
	root := &cobra.Command{
		Use:   "ullage-syncd",
		Short: "The centre of Ullage: takes what devices push, keeps it, and answers the office",
		Long: `ullage-syncd is the centre: a broker with its streams, the gate that devices push through, the read model and the
office's pages, in one process and one folder.

  ullage-syncd serve --dir D      runs it; D is made at the first start
  ullage-syncd nats-config --dir D --to FOLDER --server a=… --server b=… --server c=…   sets up a cluster of servers for it
  ullage-syncd seat --dir D --to FOLDER          makes a further seat of a centre on a cluster
  ullage-syncd rebuild --dir D    builds the read model anew from the stream, while the centre does not run
  ullage-syncd check --dir D      says what is wrong and what to do, also while the centre runs
  ullage-syncd backup --dir D --to FILE      all that cannot be made again in one file, also while the centre runs
  ullage-syncd restore --dir D --from FILE   makes a centre of it, in a folder that is empty or not there

The folder can also be named by the variable ULLAGE_DIR.`,
	}
	root.PersistentFlags().StringVar(&dir, "dir", os.Getenv("ULLAGE_DIR"), "folder of the centre")
	root.AddCommand(serve(&dir), rebuild(&dir), backupCommand(&dir), restore(&dir), check(&dir), natsConfig(&dir), seat(&dir))
	return command.Run(root, args, stdin, stdout, stderr)
}

// with opens a centre, works with it, and closes it. Who gives no receipts may look at a cluster that does not sync always.
func with(cmd *cobra.Command, cfg syncd.Config, log slog.Level, work func(context.Context, *syncd.Centre) error) error {
	cfg.Log = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: log}))
	cfg.OpenDesk = desk.Opener(cfg.Log)
	c, err := syncd.Open(cmd.Context(), cfg)
	if err != nil {
		return err
	}
	err = work(cmd.Context(), c)
	return errors.Join(err, c.Close())
}

// centreIn returns an error unless a centre has been served in a folder.
func centreIn(dir string) error {
	if dir == "" {
		return errNoDir
	}
	if _, err := os.Stat(filepath.Join(dir, "ports.json")); errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("there is no centre in %s", dir)
	}
	return nil
}

var errNoDir = command.Wrong("name the folder of the centre: --dir D")

const only = "Only this folder holds the keys and the office's journal: name a second place for them, on another disk or another machine's, with --second FOLDER."

func serve(dir *string) *cobra.Command {
	var verbose, asJSON bool
	var cfg syncd.Config
	cmd := &cobra.Command{
		Use: "serve", Short: "Run the centre until it is told to end", Args: command.Args(0, 0),
		Long: `serve runs the centre. The first start picks free ports on this machine and keeps them in the folder. When everything
listens, it prints the addresses and writes them to D/centre.json: nats (where devices connect), enrol, office.

Devices are spoken to with TLS always, by certificates that the centre makes and renews itself; what others need to trust
them is in D/ca.pem. Without --host the centre listens on this machine only, and its office's pages are plain http there.
With it, it listens where it is told, the pages are https, and --name says what the centre is called by others, repeated
for more than one; the first stands in the codes that devices get. These are given at each start:

  ullage-syncd serve --dir D --host 0.0.0.0 --name centre.example --name 192.0.2.7

With --nats the streams are in a cluster of message servers, set up by nats-config, and devices connect to these. The folder
remembers them. The centre refuses a cluster with a server that confirms what is not on its disk yet; with --unsynced it
takes it, and says so wherever it says anything.

  ullage-syncd serve --dir D --nats tls://192.0.2.1:4222,tls://192.0.2.2:4222,tls://192.0.2.3:4222

With --second, keys and the office's journal are kept in another folder too, a few seconds behind: devices have all that they
sent, and nobody else has those. It must be there, and should be on another disk or another machine's. It holds every key of the
centre: keep it as safe as this one.

  ullage-syncd serve --dir D --second /mnt/elsewhere/ullage

With --cert and --key, both files in PEM, certificates are used that somebody else makes: the server's first, each followed
by the one that signed it. They are read again when they change. Devices then know the key of the last.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if *dir == "" {
				return errNoDir
			}
			level := slog.LevelInfo
			if verbose {
				level = slog.LevelDebug
			}
			if (cfg.Cert == "") != (cfg.Key == "") {
				return command.Wrong("%s: --cert and --key go together: the certificates and the key of the first", cmd.CommandPath())
			}
			cfg.Dir = *dir
			if os.Getenv("GOGC") == "" {
				debug.SetGCPercent(50) // when thousands of devices come at once, what is not needed any more is most of its memory
			}
			return with(cmd, cfg, level, func(ctx context.Context, c *syncd.Centre) error {
				if cfg.Second == "" {
					fmt.Fprintln(cmd.ErrOrStderr(), only)
				}
				return c.Serve(ctx, func(a syncd.Addresses, link string) {
					out := cmd.OutOrStdout()
					if asJSON {
						json.NewEncoder(out).Encode(a) // who does not listen does not miss it
						return
					}
					fmt.Fprintf(out, "devices connect to  %s\ndevices enrol at    %s\nthe office is at    %s\n", a.NATS, a.Enrol, a.Office)
					fmt.Fprintf(out, "open its pages with %s (works once, within an hour; later: ullage link --dir %s)\n", link, *dir)
				})
			})
		},
	}
	cmd.Flags().BoolVar(&verbose, "verbose", false, "log the broker's doings too")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the addresses as JSON")
	cmd.Flags().StringVar(&cfg.Host, "host", "127.0.0.1", "address to listen on")
	cmd.Flags().StringArrayVar(&cfg.Names, "name", nil, "name or address by which devices reach the centre; the first stands in codes")
	cmd.Flags().StringVar(&cfg.Second, "second", "", "folder on another disk, where keys and the office's journal are kept too")
	cmd.Flags().StringVar(&cfg.Cert, "cert", "", "file with certificates to use instead of own ones")
	cmd.Flags().StringVar(&cfg.Key, "key", "", "file with the key for --cert")
	clusterFlags(cmd, &cfg)
	return cmd
}

// clusterFlags name the cluster that a centre uses.
func clusterFlags(cmd *cobra.Command, cfg *syncd.Config) {
	cmd.Flags().StringSliceVar(&cfg.Servers, "nats", nil, "servers of a cluster that has the streams, tls://HOST:PORT each, apart by commas")
	cmd.Flags().BoolVar(&cfg.Unsynced, "unsynced", false, "take a cluster that confirms what is not on a disk yet, and say so")
}

func rebuild(dir *string) *cobra.Command {
	return &cobra.Command{
		Use: "rebuild", Short: "Build the read model anew from the stream", Args: command.Args(0, 0),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := centreIn(*dir); err != nil {
				return err
			}
			return with(cmd, syncd.Config{Dir: *dir, Unsynced: true}, slog.LevelWarn, func(ctx context.Context, c *syncd.Centre) error {
				progress := command.NewProgress(cmd.ErrOrStderr(), "deliveries")
				var last uint64
				err := c.Rebuild(ctx, func(done, of uint64) {
					last = done
					progress.Step(done, of)
				})
				progress.End()
				if err != nil {
					return err
				}
				fmt.Fprintf(cmd.ErrOrStderr(), "The read model is built anew from %d deliveries.\n", last)
				return nil
			})
		},
	}
}
