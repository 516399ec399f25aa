package syncd

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/backup"
	"ullage/syncd/broker"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

// leftOut is what no backup has: what can be made again, what holds only while the centre runs, and the broker's own files,
// whose messages are copied one by one: a damaged block would be carried along unseen.
func leftOut(path string) bool {
	top, _, _ := strings.Cut(path, "/")
	return top == "streams" || top == "model" || top == "centre.json" || strings.HasSuffix(path, "lock")
}

// Backup writes a backup of a centre, which may be running. The order is what makes it hold together: keys, which remember
// what was signed, before the log, which must have that; the log before the records that it is of; and those of the office
// before the journal in which they must be. progress hears now and then how many messages are copied.
func (c *Centre) Backup(ctx context.Context, to io.Writer, progress func(messages uint64)) (backup.Contents, error) {
	size := c.log.Newest().Size
	w := backup.NewWriter(to)
	early := func(path string) bool {
		return leftOut(path) || strings.HasPrefix(path+"/", "office/") || strings.HasPrefix(path+"/", "access/")
	}
	if err := w.Files(c.cfg.Dir, "keys", leftOut); err != nil {
		return backup.Contents{}, err
	}
	if err := w.Files(c.cfg.Dir, "", func(path string) bool { return early(path) || path == "keys" }); err != nil {
		return backup.Contents{}, err
	}
	logger, err := c.broker.Connect(trust.Logger)
	if err != nil {
		return backup.Contents{}, err
	}
	defer logger.Close()
	gate, err := c.broker.Connect(trust.GateCentre)
	if err != nil {
		return backup.Contents{}, err
	}
	defer gate.Close()
	done := uint64(0)
	for _, s := range []struct {
		conn *nats.Conn
		name string
	}{{logger, wire.Log.Name}, {logger, wire.Records.Name}, {gate, wire.Aside.Name}} {
		if err := copyStream(ctx, s.conn, s.name, func(m backup.Message) error {
			if done++; progress != nil && done%256 == 0 {
				progress(done)
			}
			return w.Message(m)
		}); err != nil {
			return backup.Contents{}, err
		}
	}
	for _, folder := range []string{"access", "office"} {
		if err := w.Files(c.cfg.Dir, folder, leftOut); err != nil {
			return backup.Contents{}, err
		}
	}
	return w.Close(now().Format(0), size)
}

func (c *Centre) backupTo(ctx context.Context, to io.Writer) error {
	_, err := c.Backup(ctx, to, nil)
	return err
}

// copyStream hands on the messages of a stream that it can read, up to the last that it has at the start.
func copyStream(ctx context.Context, nc *nats.Conn, name string, fn func(backup.Message) error) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	s, err := js.Stream(ctx, name)
	if err != nil {
		return fmt.Errorf("back up %s: %w", name, err)
	}
	for next, last := uint64(1), s.CachedInfo().State.LastSeq; next <= last; {
		m, err := s.GetMsg(ctx, next, jetstream.WithGetMsgSubject(">"))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("back up %s: message %d: %w", name, next, err)
		}
		if err := fn(backup.Message{Stream: name, Subject: m.Subject, Data: m.Data}); err != nil {
			return err
		}
		next = m.Sequence + 1
	}
	return nil
}

// Restore makes a centre of a backup, in a folder that is empty or not there. It reads the backup through before it writes
// anything, and the folder gets its name when all is in it and the centre has opened. Errors: those of backup.Read, and
// backup.ErrTarget.
func Restore(ctx context.Context, cfg Config, from io.ReadSeeker, progress func(done, of uint64)) (has backup.Contents, err error) {
	if entries, err := os.ReadDir(cfg.Dir); err == nil && len(entries) > 0 {
		return has, fmt.Errorf("%s: %w; a backup is restored into an empty one", cfg.Dir, backup.ErrTarget)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return has, err
	}
	if has, err = backup.Read(from, backup.Visitor{}); err != nil {
		return has, err
	}
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return has, err
	}
	final := filepath.Clean(cfg.Dir)
	cfg.Dir = final + ".restoring"
	if err := os.RemoveAll(cfg.Dir); err != nil {
		return has, err
	}
	if err := disk.MakeDir(cfg.Dir); err != nil {
		return has, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(cfg.Dir))
		}
	}()
	p := putter{dir: cfg.Dir, log: cmp.Or(cfg.Log, slog.New(slog.DiscardHandler)), ctx: ctx}
	of := uint64(0)
	for _, n := range has.Messages {
		of += n
	}
	done := uint64(0)
	_, err = backup.Read(from, backup.Visitor{File: backup.Folder(cfg.Dir), Message: func(m backup.Message) error {
		if done++; progress != nil && done%256 == 0 {
			progress(done, of)
		}
		return p.put(m)
	}})
	if err = errors.Join(err, p.close()); err != nil {
		return has, err
	}
	c, err := Open(ctx, cfg)
	if err != nil {
		return has, fmt.Errorf("the centre of this backup does not open: %w", err)
	}
	if err := c.Close(); err != nil {
		return has, err
	}
	if err := os.Remove(final); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return has, err
	}
	return has, disk.Rename(cfg.Dir, final)
}

// putter puts messages into new streams, by the keys that stand in the folder when the first comes.
type putter struct {
	dir string
	log *slog.Logger
	ctx context.Context

	trust  *trust.Trust
	broker *broker.Broker
	by     map[string]jetstream.JetStream
}

func (p *putter) put(m backup.Message) error {
	if p.broker == nil {
		if err := p.open(); err != nil {
			return err
		}
	}
	js, ok := p.by[m.Stream]
	if !ok {
		return fmt.Errorf("%w: messages of a stream %.100q", backup.ErrForm, m.Stream)
	}
	out := nats.NewMsg(m.Subject)
	out.Data = m.Data
	if _, err := js.PublishMsg(p.ctx, out, jetstream.WithExpectStream(m.Stream)); err != nil {
		return fmt.Errorf("restore %s: %w", m.Stream, err)
	}
	return nil
}

func (p *putter) open() (err error) {
	if p.trust, err = trust.Open(trust.Config{Dir: p.dir, Log: p.log}); err != nil {
		return err
	}
	if p.broker, err = broker.Start(broker.Config{Dir: filepath.Join(p.dir, "streams"), Trust: p.trust, Log: p.log}); err != nil {
		return err
	}
	if err := p.broker.EnsureStreams(p.ctx); err != nil {
		return err
	}
	p.by = map[string]jetstream.JetStream{}
	for name, role := range map[string]trust.Role{wire.Records.Name: trust.GateCentre, wire.Aside.Name: trust.GateCentre, wire.Log.Name: trust.Logger} {
		nc, err := p.broker.Connect(role)
		if err != nil {
			return err
		}
		if p.by[name], err = jetstream.New(nc); err != nil {
			return err
		}
	}
	return nil
}

func (p *putter) close() error {
	if p.broker != nil {
		p.broker.Shutdown()
	}
	if p.trust != nil {
		return p.trust.Close()
	}
	return nil
}
