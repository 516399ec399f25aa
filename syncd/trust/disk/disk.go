// Package disk has the file effects that trust needs, each with its system calls in the order in which they are done.
//
// A file is written whole or not at all: whoever opens it after a crash finds the old content or the new one. What a
// crash can leave behind is a temporary file, which Sweep takes away. A write that returned an error has an unknown
// outcome; whoever called it must be right with the old content and with the new.
package disk

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

const tempMark = ".new-"

// MakeDir makes a folder that only its owner can enter, and its parents; its name survives a power cut.
func MakeDir(path string) error {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return fmt.Errorf("make folder: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// WriteFile replaces the content of a file that only its owner can read: a temporary file beside it, fsync, rename,
// fsync of the folder.
func WriteFile(path string, data []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), tempMark+filepath.Base(path)+"-*") // with mode 0600
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
			err = fmt.Errorf("write %s: %w", path, err)
		}
	}()
	if _, err := f.Write(data); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// Remove takes a file away for good; one that is not there is no error.
func Remove(path string) error {
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		return fmt.Errorf("remove: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// Rename gives a file another name in its folder, taking the place of one that has it; it survives a power cut.
func Rename(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return fmt.Errorf("rename: %w", err)
	}
	return syncDir(filepath.Dir(to))
}

// Sweep takes away the temporary files that a crash left in a folder.
func Sweep(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("sweep: %w", err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), tempMark) {
			if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
				return fmt.Errorf("sweep: %w", err)
			}
		}
	}
	return nil
}

func syncDir(dir string) error {
	if runtime.GOOS == "windows" { // cannot sync a folder
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
