package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// The locked byte lies far behind the content, so that the holder's number can be read.
const lockedAt = 1 << 30

func lock(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0,
		&windows.Overlapped{Offset: lockedAt})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrHeld
	}
	return err
}
