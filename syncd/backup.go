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
	"slices"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/backup"
	"ullage/syncd/broker"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/disk"
)

// leftOut is what no backup has: what can be made again, what holds only while the centre runs, and the broker's own files,
// whose messages are copied one by one: a damaged block would be carried along unseen.
func leftOut(path string) bool {
	top, _, _ := strings.Cut(path, "/")
	return top == "streams" || top == "model" || top == "centre.json" || top == clusterFile || strings.HasSuffix(path, "lock")
}

// late is what a backup has after the streams: it must have all that is in RECORDS of it. An office whose journal ends before
// its records in RECORDS may not write, and a device that nobody knows may not come in.
var late = []string{"access", "keys/devices", "office"}

// Backup writes a backup of a centre, which may be running. The order is what makes it hold together: keys, which remember
// what was signed, before the log, which must have that; the log before the records that it is of; then what is late.
func (c *Centre) Backup(ctx context.Context, to io.Writer) error {
	size := c.log.Newest().Size
	w := backup.NewWriter(to)
	early := func(path string) bool { return leftOut(path) || slices.Contains(late, path) }
	if err := w.Files(c.cfg.Dir, "keys", early); err != nil {
		return err
	}
	if err := w.Files(c.cfg.Dir, "", func(path string) bool { return early(path) || path == "keys" }); err != nil {
		return err
	}
	for _, s := range []struct {
		name string
		role trust.Role
	}{{wire.Log.Name, trust.Logger}, {wire.Records.Name, trust.Logger}, {wire.Aside.Name, trust.GateCentre}} {
		if err := c.backupStream(ctx, w, s.name, s.role); err != nil {
			return fmt.Errorf("back up %s: %w", s.name, err)
		}
	}
	for _, folder := range late {
		if err := w.Files(c.cfg.Dir, folder, leftOut); err != nil {
			return err
		}
	}
	_, err := w.Close(now().Format(0), size)
	return err
}

// backupStream writes the messages of a stream up to the last that it has at the start. Those that it counts and cannot give
// are told: a backup has no more than its centre.
func (c *Centre) backupStream(ctx context.Context, w *backup.Writer, name string, role trust.Role) error {
	nc, err := c.broker.Connect(role)
	if err != nil {
		return err
	}
	defer nc.Close()
	s, err := stream.Open(ctx, nc, name)
	if err != nil {
		return err
	}
	at, err := s.State(ctx)
	if err != nil {
		return err
	}
	for next := uint64(1); next <= at.Last; {
		m, err := s.From(ctx, stream.Any, next)
		if err != nil {
			return err
		}
		if m.Seq != next {
			to := at.Last
			if m.Seq != 0 {
				to = m.Seq - 1
			}
			c.cfg.Log.Warn("the backup lacks messages that the stream cannot give", "stream", name, "first", next, "last", to)
		}
		if m.Seq == 0 {
			return nil
		}
		if err := w.Message(backup.Message{Stream: name, Subject: m.Subject, Data: m.Data}); err != nil {
			return err
		}
		next = m.Seq + 1
	}
	return nil
}

// Restore makes a centre of a backup, in a folder that is empty or not there. It reads the backup through before it writes
// anything, and the folder gets its name when all is in it and the centre has opened. Keys and the office's journal are those of
// the second place place, where it is not empty; without a backup (from is nil) they are all that is there, and devices bring
// what they have. Errors: those of backup.Read, and backup.ErrTarget.
func Restore(ctx context.Context, cfg Config, from io.ReadSeeker, place string, progress func(done, of uint64)) (has backup.Contents, err error) {
	if err := checkEmpty(cfg.Dir); err != nil {
		return has, err
	}
	finish := func(dir string) error {
		cfg.Dir = dir
		if place != "" {
			if err := takeSecond(dir, place); err != nil {
				return err
			}
		}
		c, err := Open(ctx, cfg)
		if err != nil {
			return fmt.Errorf("the centre of this backup does not open: %w", err)
		}
		return c.Close()
	}
	if from == nil {
		return has, newFolder(cfg.Dir, finish)
	}
	if has, err = backup.Read(from, backup.Visitor{}); err != nil {
		return has, err
	}
	if _, err := from.Seek(0, io.SeekStart); err != nil {
		return has, err
	}
	of := uint64(0)
	for _, n := range has.Messages {
		of += n
	}
	return has, newFolder(cfg.Dir, func(dir string) error {
		cfg.Dir = dir
		p := putter{cfg: cfg, ctx: ctx}
		p.cfg.Log = cmp.Or(cfg.Log, slog.New(slog.DiscardHandler))
		done := uint64(0)
		_, err = backup.Read(from, backup.Visitor{File: backup.Folder(dir), Message: func(m backup.Message) error {
			if done++; progress != nil && done%256 == 0 {
				progress(done, of)
			}
			return p.put(m)
		}})
		if err = errors.Join(err, p.close()); err != nil {
			return err
		}
		return finish(dir)
	})
}

// checkEmpty returns an error that wraps backup.ErrTarget where a folder has something in it.
func checkEmpty(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err == nil && len(entries) > 0:
		err = backup.ErrTarget
	}
	if err != nil {
		return fmt.Errorf("%s: %w", dir, err)
	}
	return nil
}

// newFolder makes a folder, which is empty or not there, and which gets its name when fill has filled it. Its error wraps
// backup.ErrTarget where the folder has something in it.
func newFolder(name string, fill func(dir string) error) (err error) {
	if err := checkEmpty(name); err != nil {
		return err
	}
	final := filepath.Clean(name)
	if err := os.MkdirAll(filepath.Dir(final), 0o700); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(filepath.Dir(final), filepath.Base(final)+".making-")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(dir))
		}
	}()
	if err := fill(dir); err != nil {
		return err
	}
	if err := os.Remove(final); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return disk.Rename(dir, final)
}

// putter puts messages into new streams, by the keys that stand in the folder when the first comes.
type putter struct {
	cfg Config
	ctx context.Context

	trust  *trust.Trust
	broker servers
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
	if p.trust, err = trust.Open(trust.Config{Dir: p.cfg.Dir, Cluster: len(p.cfg.Servers) > 0, Log: p.cfg.Log}); err != nil {
		return err
	}
	if len(p.cfg.Servers) > 0 {
		p.broker, err = asServers(broker.Join(p.ctx, broker.ClusterConfig{
			Servers: p.cfg.Servers, TLS: p.trust.ClientTLS(), Trust: p.trust, Unsynced: p.cfg.Unsynced, Log: p.cfg.Log,
		}))
	} else {
		p.broker, err = asServers(broker.Start(broker.Config{Dir: filepath.Join(p.cfg.Dir, "streams"), Trust: p.trust, Log: p.cfg.Log}))
	}
	if err != nil {
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
		js, err := jetstream.New(nc)
		if err != nil {
			return err
		}
		stream, err := js.Stream(p.ctx, name)
		if err != nil {
			return fmt.Errorf("stream %s: %w", name, err)
		}
		if stream.CachedInfo().State.LastSeq > 0 {
			return fmt.Errorf("stream %s has messages: %w", name, backup.ErrTarget)
		}
		p.by[name] = js
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
