// Package mirror keeps copies of a few files and folders in a second place.
//
// A file is copied whole and then put into place, so that what stands there was once the file, old or new; of one that grows
// while it is copied, a beginning. What goes in the first place goes in the second. Where a copy is replaced or goes, its
// bytes are overwritten before: it may have been the key of something that was to be erased.
package mirror

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ullage/syncd/trust/disk"
)

// Mirror is a second place. Its methods belong to one goroutine.
type Mirror struct {
	from, to string
	names    []string
	seen     map[string]stamp
}

// stamp tells whether a file is still what was copied.
type stamp struct {
	size int64
	at   time.Time
}

// New makes a mirror of names in a folder, files or folders, in their order; to must be there.
func New(from, to string, names ...string) *Mirror {
	return &Mirror{from, to, names, map[string]stamp{}}
}

// Sync copies what has changed since the last call; at the first, whatever is not the same. An error names the file; what
// came before it is copied.
func (m *Mirror) Sync() error {
	for _, name := range m.names {
		if err := m.copy(name); err != nil {
			return fmt.Errorf("second place: %w", err)
		}
		if err := m.forget(name); err != nil {
			return fmt.Errorf("second place: %w", err)
		}
	}
	return nil
}

// passing are files that hold only for a moment.
func passing(name string) bool {
	return strings.HasSuffix(name, "lock") || strings.HasPrefix(name, ".")
}

func (m *Mirror) copy(name string) error {
	return filepath.WalkDir(filepath.Join(m.from, name), func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) { // it has gone meanwhile, or never was
			return nil
		}
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(m.from, path)
		switch {
		case err != nil:
			return err
		case e.IsDir():
			return disk.MakeDir(filepath.Join(m.to, rel))
		case !e.Type().IsRegular() || passing(e.Name()):
			return nil
		}
		st, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		now := stamp{st.Size(), st.ModTime()}
		if m.seen[rel] == now {
			return nil
		}
		if err := m.put(rel); err != nil {
			return err
		}
		m.seen[rel] = now
		return nil
	})
}

// put copies one file.
func (m *Mirror) put(rel string) error {
	data, err := os.ReadFile(filepath.Join(m.from, rel))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	to := filepath.Join(m.to, rel)
	old, err := os.ReadFile(to)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case bytes.Equal(old, data):
		return nil
	case !bytes.HasPrefix(data, old): // it has not only grown
		if err := overwrite(to, len(old)); err != nil {
			return err
		}
	}
	return disk.WriteFile(to, data)
}

// forget takes away what is not in the first place any more.
func (m *Mirror) forget(name string) error {
	return filepath.WalkDir(filepath.Join(m.to, name), func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(m.to, path)
		if err != nil {
			return err
		}
		if _, err := os.Lstat(filepath.Join(m.from, rel)); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		delete(m.seen, rel)
		if st, err := e.Info(); err == nil && e.Type().IsRegular() {
			if err := overwrite(path, int(st.Size())); err != nil {
				return err
			}
		}
		return disk.Remove(path)
	})
}

// overwrite puts noughts in place of a file's bytes, as far as the file system lets anybody know where they are.
func overwrite(path string, size int) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(make([]byte, size), 0)
	return errors.Join(err, f.Sync(), f.Close())
}
