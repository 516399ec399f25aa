//go:build unix

package disk

import (
	"errors"
	"os"
	"syscall"
)

func lock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EINTR):
		case errors.Is(err, syscall.EWOULDBLOCK):
			return ErrHeld
		default:
			return err
		}
	}
}
