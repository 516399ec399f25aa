package syncdcli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/desk"
	"ullage/cmd/internal/officecli"
	"ullage/syncd"
	"ullage/syncd/backup"
	"ullage/syncd/trust/disk"
)

func backupCommand(dir *string) *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use: "backup", Short: "Write all that cannot be made again into one file", Args: command.Args(0, 0),
		Long: `backup writes keys, the office's journal and evidence, the public log, and every record into one file, whether the centre
runs or not. The file gets its name when it is whole and has been read through once more.

It holds every key of the centre, and evidence that may have to be erased one day: keep it as safe as the centre itself,
and not for longer than you must.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := centreIn(*dir); err != nil {
				return err
			}
			if to == "" {
				return command.Wrong("%s: name the file: --to FILE", cmd.CommandPath())
			}
			if _, err := os.Lstat(to); err == nil {
				return fmt.Errorf("%s is there already; a backup takes the place of nothing", to)
			}
			return writeBackup(cmd, *dir, to)
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "file to write")
	return cmd
}

func writeBackup(cmd *cobra.Command, dir, to string) (err error) {
	f, err := os.CreateTemp(filepath.Dir(to), filepath.Base(to)+".part-")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = f.Close()
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	progress := command.NewProgress(cmd.ErrOrStderr(), "backup: bytes")
	counted := &counter{to: f, step: func(n uint64) { progress.Step(n, n) }}
	err = with(cmd, syncd.Config{Dir: dir, Unsynced: true}, slog.LevelError, func(ctx context.Context, c *syncd.Centre) error {
		return c.Backup(ctx, counted)
	})
	if errors.Is(err, disk.ErrHeld) { // it runs: it is asked
		err = officecli.Backup(cmd.Context(), dir, counted)
	}
	progress.End()
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	has, err := backup.Read(f, backup.Visitor{})
	if err != nil {
		return fmt.Errorf("what was written is not what was read: %w", err)
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := disk.Rename(f.Name(), to); err != nil {
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "%s: %s\n", to, inWords(has))
	return nil
}

func inWords(has backup.Contents) string {
	return fmt.Sprintf("of %s, %d files, %d deliveries, the public log with %d leaves", has.Made, has.Files, has.Messages["RECORDS"], has.Log)
}

type counter struct {
	to   io.Writer
	n    uint64
	step func(uint64)
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += uint64(n)
	c.step(c.n)
	return n, err
}

func restore(dir *string) *cobra.Command {
	var from, second string
	var cfg syncd.Config
	cmd := &cobra.Command{
		Use: "restore", Short: "Make a centre of a backup or a second place, in a folder that is empty or not there", Args: command.Args(0, 0),
		Long: `restore reads a backup through before it writes anything, and the folder gets its name when the centre in it has opened.
Start it with serve. What came after the backup comes back by itself from the devices at their next call; the public log
says in the open where it fell back. Evidence that was erased since is erased again as soon as the orders are back.

With --second, keys and the office's journal are those of the second place: they are newer than any backup. Without a backup
they are all that the restored centre has, and the devices bring what they hold.

With --nats the streams are put into an empty cluster, which nats-config has set up for the centre that was backed up: so a
centre that has outgrown one machine moves.

Never run the old centre and a restored one at the same time.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case *dir == "":
				return errNoDir
			case from == "" && second == "":
				return command.Wrong("%s: name the backup, the second place, or both: --from FILE --second FOLDER", cmd.CommandPath())
			}
			var file io.ReadSeeker
			if from != "" {
				f, err := os.Open(from)
				if err != nil {
					return err
				}
				defer f.Close()
				file = f
			}
			cfg.Dir, cfg.Log = *dir, slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelError}))
			cfg.OpenDesk = desk.Opener(cfg.Log)
			progress := command.NewProgress(cmd.ErrOrStderr(), "restore: deliveries")
			has, err := syncd.Restore(cmd.Context(), cfg, file, second, progress.Step)
			progress.End()
			if err != nil {
				return err
			}
			switch {
			case from == "":
				fmt.Fprintf(cmd.ErrOrStderr(), "%s has the keys and the office's journal of %s. Records come back from the devices; wipe no folder of theirs until they have called.\n", *dir, second)
			case second == "":
				fmt.Fprintf(cmd.ErrOrStderr(), "%s is the centre of the backup: %s\n", *dir, inWords(has))
			default:
				fmt.Fprintf(cmd.ErrOrStderr(), "%s is the centre of the backup: %s; its keys and the office's journal are those of %s\n", *dir, inWords(has), second)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "the backup")
	cmd.Flags().StringVar(&second, "second", "", "a second place, whose keys and office's journal are taken instead of the backup's")
	clusterFlags(cmd, &cfg)
	return cmd
}
