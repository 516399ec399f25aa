package evidence

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// put puts a file into place, durably: it is written and synced under a name that nobody looks for, renamed, and its
// folder is synced. A step that fails is not tried again; the file is then there as a whole or not at all.
func (f *Folder) put(path string, content []byte) error {
	tmp, err := os.CreateTemp(f.unfinished(), "*") // with mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name()) // not there any more once it is renamed
	if err = f.before("write"); err == nil {
		_, err = tmp.Write(content)
	}
	if err == nil {
		err = f.before("sync")
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return err
	}
	if err := f.before("rename"); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	if err := f.before("sync folder"); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

func (f *Folder) before(what string) error {
	if f.step == nil {
		return nil
	}
	return f.step(what)
}

// clean removes what a crash left half written.
func (f *Folder) clean() error {
	names, err := os.ReadDir(f.unfinished())
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := os.RemoveAll(filepath.Join(f.unfinished(), name.Name())); err != nil {
			return err
		}
	}
	return nil
}

// read reads a whole file of at most most bytes; of a larger one it tells the size only.
func read(path string, most int) (content []byte, size int64, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return nil, 0, err
	}
	if size = info.Size(); size > int64(most) {
		return nil, size, nil
	}
	content = make([]byte, size)
	_, err = io.ReadFull(file, content)
	return content, size, err
}

// makeFolder makes a private folder, durably, with those above it.
func makeFolder(path string) error {
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		return nil
	case err == nil:
		return &fs.PathError{Op: "open", Path: path, Err: errors.New("not a folder")}
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	above := filepath.Dir(path)
	if above != path {
		if err := makeFolder(above); err != nil {
			return err
		}
	}
	if err := os.Mkdir(path, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return syncFolder(above)
}

// syncFolder makes the names in a folder durable. Windows has no such call, and does it by itself.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
