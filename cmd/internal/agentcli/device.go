package agentcli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"

	"ullage/agent"
	"ullage/cmd/internal/command"
)

func (c *cli) enrol() *cobra.Command {
	var centre, code string
	cmd := c.does(&cobra.Command{
		Use:   "enrol --code CODE [--centre URL]",
		Short: "Make a device of the folder, with a one-time code from the office",
		Long: `Make a device of the folder.

The office hands out a code, which holds the centre's address and is good for one device and a few minutes. The device
makes its keys here, they never leave this folder, and fetches what the centre has for it. If anything goes wrong on the
way, the same command with the same code can be run again.`,
		Example: `  ullage-agent enrol --code U1-…
  ullage-agent enrol --dir ./tab-1 --centre https://centre.example:8443 --code - < code.txt`,
	}, func(ctx context.Context, _ []string) error {
		if code == "" {
			return command.Wrong("--code must give the one-time code")
		}
		if code == "-" {
			line, err := bufio.NewReader(io.LimitReader(c.stdin, 8<<10)).ReadString('\n')
			if err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("read the code: %w", err)
			}
			code = strings.TrimSpace(line)
		}
		id, err := agent.Enrol(ctx, c.dir, centre, code, c.config(slog.LevelWarn))
		if err != nil {
			return err
		}
		c.say("enrolled as %s, in %s", id, c.dir)
		if err := c.firstSync(ctx); err != nil {
			c.say("what the centre has for this device could not be fetched yet (%s); the next sync does it", agent.Why(err))
		}
		if c.json {
			return c.print(map[string]any{"device": id})
		}
		return nil
	})
	cmd.Flags().StringVar(&centre, "centre", "", "address of enrolment; left out: the one in the code")
	cmd.Flags().StringVar(&code, "code", "", "the one-time code; - reads it from standard input")
	return cmd
}

// firstSync fetches what a new device needs.
func (c *cli) firstSync(ctx context.Context) error {
	d, err := agent.Open(ctx, c.dir, c.config(slog.LevelWarn))
	if err != nil {
		return err
	}
	defer d.Close()
	notice, err := d.Fetch(ctx)
	return errors.Join(notice, err)
}

func (c *cli) run() *cobra.Command {
	var listen string
	cmd := c.does(&cobra.Command{
		Use:   "run",
		Short: "Keep in touch with the centre, and serve the page on this machine",
		Long: `Keep the device in touch with its centre until it is interrupted, and serve its page on this machine.

The page's address is printed on standard output once it is served. While this runs, record and sync of the same folder
hand their work over to it.`,
	}, func(ctx context.Context, _ []string) error {
		if os.Getenv("GOGC") == "" {
			debug.SetGCPercent(50) // it runs all day on a small device, and mostly waits
		}
		for {
			d, err := agent.Open(ctx, c.dir, c.config(slog.LevelInfo))
			if err != nil {
				return err
			}
			err = d.Run(ctx, listen, func(url string) {
				if c.json {
					c.print(map[string]any{"device": d.ID(), "url": url})
				} else {
					fmt.Fprintln(c.stdout, url)
				}
			})
			moved := errors.Is(err, agent.ErrMoved)
			if moved {
				err = nil
			}
			if err = errors.Join(err, d.Close()); err != nil || !moved {
				return err
			}
		}
	})
	cmd.Flags().StringVar(&listen, "listen", "127.0.0.1:0", "address of the page, on this machine; port 0 takes a free one")
	return cmd
}

func (c *cli) renew() *cobra.Command {
	var why string
	cmd := c.does(&cobra.Command{
		Use:   "renew [--why TEXT]",
		Short: "Give the device a new sealing key",
		Long: `Make a new sealing key, and write into the device's chain that it is in force from the next record on.

It needs no network: the centre learns of it with the next sync. What was sealed before stays valid, and nothing is sealed by the old
key any more. The folder keys then holds a file more; a backup of the folder from before cannot go on in its place. An
agent that runs on the folder has to be ended first. The key of the connection stays.`,
		Example: `  ullage-agent renew --why "the tablet was out of our hands for a day"`,
	}, func(ctx context.Context, _ []string) error {
		d, err := agent.Open(ctx, c.dir, c.config(slog.LevelWarn))
		if err != nil {
			return err
		}
		renewed, err := d.Renew(why)
		if err = errors.Join(err, d.Close()); err != nil {
			return err
		}
		if c.json {
			return c.print(map[string]any{"seq": renewed.Seq, "key": []byte(renewed.Key)})
		}
		c.say("from record %d on a new key seals", renewed.Seq+1)
		return nil
	})
	cmd.Flags().StringVar(&why, "why", "", "why, in words; it is written into the chain")
	return cmd
}

func (c *cli) sync() *cobra.Command {
	return c.does(&cobra.Command{
		Use:   "sync",
		Short: "Talk to the centre until nothing waits, then end",
		Long: `Bring what waits to the centre and fetch what it has for this device, then end.

It ends with exit status 1, and says what waits and why, after 20 seconds without progress, and at once where trying
again would change nothing.`,
	}, func(ctx context.Context, _ []string) error {
		way, err := agent.Reach(ctx, c.dir, c.config(slog.LevelWarn))
		if err != nil {
			return err
		}
		defer func() { way.Close() }()
		p := command.NewProgress(c.stderr, "received")
		notice, err := way.Sync(ctx, func(s agent.Status) { p.Step(s.Received, s.Records) })
		p.End()
		if d, ours := way.(*agent.Device); ours && d.Moved() { // it asks in at once
			c.say("ullage-agent: %v", err)
			if err := way.Close(); err != nil {
				return err
			}
			heir, err := agent.Open(ctx, c.dir, c.config(slog.LevelWarn))
			if err != nil {
				return err
			}
			way = heir
			if notice, err = way.Sync(ctx, nil); err != nil {
				return err
			}
		} else if err != nil {
			return err
		}
		if notice != nil {
			c.say("nothing waits, but nothing new could be fetched: %s", agent.Why(notice))
		} else {
			c.say("nothing waits")
		}
		if !c.json {
			return nil
		}
		s, err := agent.Look(c.dir)
		if err != nil {
			return err
		}
		return c.print(s)
	})
}
