package syncdcli

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/desk"
	"ullage/syncd"
	"ullage/syncd/broker"
)

func natsConfig(dir *string) *cobra.Command {
	var to string
	var given []string
	cmd := &cobra.Command{
		Use: "nats-config", Short: "Write what the message servers of a cluster need", Args: command.Args(0, 0),
		Long: `nats-config writes a folder for each message server of a cluster: its configuration, to be read and changed, its certificate
by this centre's authority, and the accounts that it lets in. The centre's keys are made where there are none yet, and none of
them is in these folders; server.key in each is that server's secret. The centre must not run meanwhile.

  ullage-syncd nats-config --dir D --to servers --server a=192.0.2.1 --server b=192.0.2.2 --server c=192.0.2.3
  scp -r servers/a 192.0.2.1: && ssh 192.0.2.1 'cd a && nats-server -c nats.conf'      # and so for each
  ullage-syncd serve --dir D --nats tls://192.0.2.1:4222,tls://192.0.2.2:4222,tls://192.0.2.3:4222

A server is NAME=HOST, or NAME=HOST:PORT:ROUTEPORT with the ports for clients and for the other servers (4222 and 6222 where
none are given); an IPv6 address stands in brackets. HOST is how devices, centre and the other servers reach it, and what its
certificate is for. Three servers, or five: the cluster goes on while the greater part of them is there.

The certificates hold as long as the centre's authority, which ullage-syncd check tells of. To make them anew, run this again
to another folder, and put the new server.pem, server.key and ca.pem in the place of the old ones.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case *dir == "":
				return errNoDir
			case to == "":
				return command.Wrong("%s: name the folder to write: --to FOLDER", cmd.CommandPath())
			}
			var list []broker.Server
			var urls []string
			for _, text := range given {
				s, err := broker.ParseServer(text)
				if err != nil {
					return command.Wrong("%s: %v", cmd.CommandPath(), err)
				}
				list, urls = append(list, s), append(urls, s.Address())
			}
			if err := syncd.Configuration(syncd.Config{Dir: *dir}, list, to); err != nil {
				return err
			}
			for _, s := range list {
				fmt.Fprintf(cmd.OutOrStdout(), "%s\n", filepath.Join(to, s.Name, "nats.conf"))
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "Start each server in its folder; then: ullage-syncd serve --dir %s --nats %s\n", *dir, strings.Join(urls, ","))
			return nil
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "folder to write, which is empty or not there")
	cmd.Flags().StringArrayVar(&given, "server", nil, "a server, NAME=HOST or NAME=HOST:PORT:ROUTEPORT; once for each")
	return cmd
}

func seat(dir *string) *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use: "seat", Short: "Make a further seat of a centre on a cluster", Args: command.Args(0, 0),
		Long: `seat makes the folder of a further ullage-syncd for the same centre, which serves beside the others: devices go to any of
them, and go on when one is lost. The centre in D must not run while the folder is made. Take it to where it is to run, by a
way that nobody reads along, for it holds the centre's keys, and start it there; never start it in two places.

  ullage-syncd seat --dir D --to D2
  ullage-syncd serve --dir D2

Seats have the keys, the records, the public log and the devices in common. Each has an office's device and a gate of its
own (office-2, gate-2), and keeps to itself: people and tokens, codes that were not used yet, grants, alarms, the access
journal, and evidence (names, longer texts) that was recorded there.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch err := centreIn(*dir); {
			case err != nil:
				return err
			case to == "":
				return command.Wrong("%s: name the folder to make: --to FOLDER", cmd.CommandPath())
			}
			cfg := syncd.Config{Dir: *dir, Log: slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelError}))}
			cfg.OpenDesk = desk.Opener(cfg.Log)
			name, err := syncd.NewSeat(cmd.Context(), cfg, to)
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is the folder of %s\n", to, name)
			return nil
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "folder to make, which is empty or not there")
	return cmd
}
