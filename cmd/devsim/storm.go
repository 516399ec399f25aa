package main

import (
	"encoding/json"
	"errors"
	"log/slog"
	"os"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/storm"
)

func stormCommand() *cobra.Command {
	cfg := storm.Config{}
	var asJSON bool
	cmd := &cobra.Command{
		Use: "storm", Short: "Let thousands of devices return to one centre at once", Args: command.Args(0, 0),
		Long: `storm makes a centre and devices in a folder, lets each device keep records while it has no network, and then lets all
of them come back in one moment: real devices with journals on this disk, over TCP and TLS, to a centre in a process of
its own. It prints how long that took, what it cost, and whether each record that a device has a receipt for stands once
in RECORDS and once in the read model. The exit status is 1 where one does not, whatever the times were.

  devsim storm                                   5,000 devices with 200 records each
  devsim storm --devices 200 --records 20        a small one
  devsim storm --dir D                           keeps the folder; the next storm there needs no enrolments`,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			for _, n := range []struct {
				name  string
				value int
			}{{"devices", cfg.Devices}, {"records", cfg.Records}, {"crews", cfg.Crews}} {
				if n.value < 1 {
					return command.Wrong("%s: --%s is %d; it is at least 1", cmd.CommandPath(), n.name, n.value)
				}
			}
			if cfg.Profile && cfg.Dir == "" {
				return command.Wrong("%s: --profile writes into a folder that is kept: give --dir", cmd.CommandPath())
			}
			if cfg.Dir == "" {
				if cfg.Dir, err = os.MkdirTemp("", "ullage-storm-"); err != nil {
					return err
				}
				defer func() { err = errors.Join(err, os.RemoveAll(cfg.Dir)) }()
			}
			cfg.Log = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
			report, err := storm.Run(cmd.Context(), cfg)
			if err != nil {
				return err
			}
			if asJSON {
				err = json.NewEncoder(cmd.OutOrStdout()).Encode(report)
			} else {
				err = report.Table(cmd.OutOrStdout())
			}
			if err == nil && !report.Held() {
				err = errors.New("records were lost or doubled")
			}
			return err
		},
	}
	cmd.Flags().StringVar(&cfg.Dir, "dir", "", "folder to work in, which is kept; empty: a temporary one")
	cmd.Flags().IntVar(&cfg.Devices, "devices", 5000, "how many devices")
	cmd.Flags().IntVar(&cfg.Records, "records", 200, "how many records wait on each")
	cmd.Flags().IntVar(&cfg.Crews, "crews", 4, "processes that the devices are spread over")
	cmd.Flags().BoolVar(&cfg.Profile, "profile", false, "write into the folder of --dir what each process uses its processor and memory for")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the report as JSON")
	return cmd
}
