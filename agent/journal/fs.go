package journal

import (
	"errors"
	"io"
	"syscall"
)

// FS is the file layer under a journal. Names are paths. Tests put layers under it that fail, lie and lose power.
type FS interface {
	// MkdirAll makes a directory, its parents, and the entries that name them durable.
	MkdirAll(dir string) error
	// Create opens a file for reading and writing, empty, made where there is none.
	Create(name string) (File, error)
	// Open opens a file for reading. Its error is an fs.ErrNotExist where there is none.
	Open(name string) (File, error)
	// OpenWrite opens a file for reading and writing. Its error is an fs.ErrNotExist where there is none.
	OpenWrite(name string) (File, error)
	// Rename puts a file under another name, in one step, over what was there.
	Rename(from, to string) error
	// Remove removes a file.
	Remove(name string) error
	// ReadDir lists the names in a directory. Its error is an fs.ErrNotExist where there is none.
	ReadDir(dir string) ([]string, error)
	// SyncDir returns when the entries of a directory are on the disk.
	SyncDir(dir string) error
	// Lock takes a lock that the system gives back when the process ends, however it ends. It does not wait: its
	// error is a *LockedError while another holds it.
	Lock(name string) (io.Closer, error)
}

// File is one file of the layer.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	// Sync returns when what was written, and the length, is on the disk.
	Sync() error
	// Truncate sets the length.
	Truncate(size int64) error
	// Size is the length.
	Size() (int64, error)
}

// isFull tells whether a write failed for want of room.
func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, errQuota)
}
