package disk

import (
	"errors"
	"io"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/windows"
)

const (
	errQuota  = windows.ERROR_DISK_FULL
	errNotDir = windows.ERROR_DIRECTORY
)

// lockAt lies beyond the text of the file, which others must be able to read.
const lockAt = 1 << 20

// Lock is LockFileEx on a byte of a file that also holds the number of the process.
func (OS) Lock(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &windows.Overlapped{Offset: lockAt})
	if err != nil {
		defer f.Close()
		if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
			b := make([]byte, 32)
			n, _ := f.ReadAt(b, 0)
			pid, _ := strconv.Atoi(strings.TrimSpace(string(b[:n])))
			return nil, &LockedError{PID: max(pid, 0)}
		}
		return nil, os.NewSyscallError("LockFileEx", err)
	}
	if err := f.Truncate(0); err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// SyncDir does nothing: NTFS keeps the order of its own entries and offers no call for it.
func (OS) SyncDir(string) error { return nil }
