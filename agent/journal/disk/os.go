package disk

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// OS is the file layer of the system.
type OS struct{}

type osFile struct{ *os.File }

// Sync does not sync times of access and the like: fdatasync where the system has it.
func (f osFile) Sync() error { return syncData(f.File) }

func (f osFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

// MkdirAll makes dir and what is missing above it: mkdir, then fsync of the directory above, from the top down.
func (o OS) MkdirAll(dir string) error {
	dir = filepath.Clean(dir)
	st, err := os.Stat(dir)
	if err == nil {
		if !st.IsDir() {
			return &fs.PathError{Op: "mkdir", Path: dir, Err: errNotDir}
		}
		return nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	parent := filepath.Dir(dir)
	if parent != dir {
		if err := o.MkdirAll(parent); err != nil {
			return err
		}
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return o.SyncDir(parent)
}

// Create is part of FS.
func (OS) Create(name string) (File, error) {
	return wrapFile(os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600))
}

// Open is part of FS.
func (OS) Open(name string) (File, error) { return wrapFile(os.Open(name)) }

// OpenWrite is part of FS.
func (OS) OpenWrite(name string) (File, error) { return wrapFile(os.OpenFile(name, os.O_RDWR, 0)) }

func wrapFile(f *os.File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

// Rename is part of FS.
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Remove is part of FS.
func (OS) Remove(name string) error { return os.Remove(name) }

// ReadDir is part of FS.
func (OS) ReadDir(dir string) ([]string, error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.Readdirnames(-1)
}
