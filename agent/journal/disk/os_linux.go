package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// syncData is fdatasync: it leaves out the times of the file, and keeps its length.
func syncData(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if !errors.Is(err, unix.EINTR) {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}
