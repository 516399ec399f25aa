package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"ullage/agent/journal/disk"
)

// disk makes folders and their names durable, as the journal does.
var system disk.OS

// writeFile puts a file into place, durably: a temporary file beside it is written and synced, renamed over it, and
// the folder is synced. After a power cut either the old content stands there or the new.
func writeFile(path string, data []byte) error {
	if err := replace(path, data, (*os.File).Sync); err != nil {
		return err
	}
	return system.SyncDir(filepath.Dir(path))
}

// noteFile is writeFile for what may be lost, and which is written often: it waits for no disk. Whoever reads the file
// finds it whole, old or new, as long as the power is not cut.
func noteFile(path string, data []byte) error {
	return replace(path, data, func(*os.File) error { return nil })
}

// replace writes a temporary file, settles it, and renames it over path.
func replace(path string, data []byte, settle func(*os.File) error) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name()) // not there any more once it is renamed
	err = tmp.Chmod(0o600)
	if err == nil {
		_, err = tmp.Write(data)
	}
	if err == nil {
		err = settle(tmp)
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return os.Rename(tmp.Name(), path)
}

// writeJSON writes v as a file in JSON, durably; its inverse is readJSON.
func writeJSON(path string, v any) error { return putJSON(path, v, writeFile) }

func putJSON(path string, v any, put func(string, []byte) error) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	return put(path, append(b, '\n'))
}

// readJSON reads a file in JSON into v. The error wraps fs.ErrNotExist where there is none.
func readJSON(path string, v any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
