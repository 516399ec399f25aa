// Package disk is the file layer under a device. What lies under it can be the system, or a frail disk that loses power.
package disk

import (
	"errors"
	"fmt"
	"io"
	"syscall"
)

// FS is a file layer. Names are paths. Tests put layers under it that fail, lie and lose power.
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

// ErrLocked is in the error of Lock while another holds it; see LockedError.
var ErrLocked = errors.New("the journal is in use")

// LockedError tells who holds a lock. It is an ErrLocked.
type LockedError struct {
	PID int // 0 where it is not known
}

func (e *LockedError) Error() string {
	if e.PID == 0 {
		return ErrLocked.Error() + " by another process"
	}
	return fmt.Sprintf("%s by process %d", ErrLocked, e.PID)
}

// Is makes the error an ErrLocked.
func (e *LockedError) Is(target error) bool { return target == ErrLocked }

// Full tells whether a write failed for want of room.
func Full(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, errQuota)
}
