package evidence

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"ullage/events"
)

// Erase makes sure that a piece cannot be read here again: it overwrites the key file where it lies, and then removes
// the encrypted piece. When it returns without error, that is on the disk. It may be repeated: after a crash at any
// step, a repeat completes what was begun. A damaged key file is overwritten too, and of a piece that was never here
// the mark of erasure is left, so that Erased answers for it.
//
// What a file system or a disk keeps of bytes that were overwritten is beyond its reach; FORMAT.md says more.
// Errors: ErrReadOnly, and what the disk says; the piece may then be readable still, or not.
func (f *Folder) Erase(d events.Digest) error {
	if !f.write {
		return ErrReadOnly
	}
	err := f.overwrite(f.keyFile(d), appendGone(nil, d))
	if errors.Is(err, fs.ErrNotExist) {
		err = f.put(f.keyFile(d), appendGone(nil, d))
	}
	if err == nil {
		err = f.remove(f.pieceFile(d))
	}
	if err != nil {
		return fmt.Errorf("erase evidence %s: %w", d, err)
	}
	return nil
}

// Erased tells whether a piece was erased, wholly: its key is overwritten and the encrypted piece is not there. A
// damaged key file is not a mark of erasure. The error is what the disk says.
func (f *Folder) Erased(d events.Digest) (bool, error) {
	b, _, err := read(f.keyFile(d), keySize)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("read evidence: %w", err)
	}
	if _, erased, _ := parseKey(b, d); !erased {
		return false, nil
	}
	_, err = os.Lstat(f.pieceFile(d))
	if errors.Is(err, fs.ErrNotExist) {
		return true, nil
	}
	if err != nil {
		return false, fmt.Errorf("read evidence: %w", err)
	}
	return false, nil
}

// zeros is what the rest of a key file that is larger than it should be is overwritten with.
var zeros [4096]byte

// overwrite writes content over that of a file, in the blocks where it lies, and brings it to the disk. A file that is
// larger is overwritten with zeros behind content, and then cut. The error wraps fs.ErrNotExist where there is none.
func (f *Folder) overwrite(path string, content []byte) error {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.overwriteIn(file, content), file.Close())
}

func (f *Folder) overwriteIn(file *os.File, content []byte) error {
	info, err := file.Stat()
	if err != nil {
		return err
	}
	if err := f.before("overwrite"); err != nil {
		return err
	}
	if _, err := file.WriteAt(content, 0); err != nil {
		return err
	}
	size := int64(len(content))
	for at := size; at < info.Size(); at += int64(len(zeros)) {
		if _, err := file.WriteAt(zeros[:min(int64(len(zeros)), info.Size()-at)], at); err != nil {
			return err
		}
	}
	if err := f.before("sync"); err != nil {
		return err
	}
	if err := file.Sync(); err != nil || info.Size() <= size {
		return err
	}
	// Only now, when zeros lie where the rest was, are its blocks given away.
	if err := f.before("cut"); err != nil {
		return err
	}
	if err := file.Truncate(size); err != nil {
		return err
	}
	return file.Sync()
}

// remove removes a file, if it is there, and brings that to the disk.
func (f *Folder) remove(path string) error {
	if err := f.before("remove"); err != nil {
		return err
	}
	if err := os.Remove(path); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	if err := f.before("sync folder"); err != nil {
		return err
	}
	return syncFolder(f.pieces())
}
