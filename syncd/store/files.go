package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// A model never takes the path of another: readers of the old one may still have it open, and SQLite finds its log by
// the path.

func modelPath(dir string, n int) string { return filepath.Join(dir, fmt.Sprintf("model-%d.db", n)) }
func buildingPath(dir string) string     { return filepath.Join(dir, "building.db") }

// numberOf is the inverse of modelPath; 0 for other files.
func numberOf(path string) int { return number(path, "model-%d.db") }

func number(path, format string) int {
	var n int
	name := filepath.Base(path)
	if _, err := fmt.Sscanf(name, format, &n); err != nil || name != fmt.Sprintf(format, n) {
		return 0
	}
	return n
}

// numbers finds the number of the model that counts, 0 where there is none, and one that no file has had.
func numbers(dir string) (newest, free int, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, 0, fmt.Errorf("read model: %w", err)
	}
	for _, e := range entries {
		newest = max(newest, numberOf(e.Name()))
		free = max(free, newest, number(e.Name(), "aside-%d.db"))
	}
	return newest, free + 1, nil
}

// tidy removes what a crash has left behind: models older than the newest, and one that was being built.
func tidy(dir string, newest int) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	for _, e := range entries {
		if n := numberOf(e.Name()); n > 0 && n < newest {
			err = errors.Join(err, removeModel(filepath.Join(dir, e.Name())))
		}
	}
	return errors.Join(err, removeModel(buildingPath(dir)))
}

func removeModel(path string) error {
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("read model: %w", err)
		}
	}
	return nil
}

// setAside keeps a closed model's file under another name.
func setAside(dir string, n int) error {
	path := modelPath(dir, n)
	aside := filepath.Join(dir, strings.Replace(filepath.Base(path), "model-", "aside-", 1))
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("read model: %w", err)
		}
	}
	return nil
}
