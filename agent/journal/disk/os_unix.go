//go:build unix && !solaris && !illumos && !aix

package disk

import (
	"errors"
	"io"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

const (
	errQuota  = unix.EDQUOT
	errNotDir = unix.ENOTDIR
)

// Lock is flock on a file that also holds the number of the process, in words for people and for LockedError.
func (OS) Lock(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	if err != nil {
		defer f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, &LockedError{PID: readPID(f)}
		}
		return nil, os.NewSyscallError("flock", err)
	}
	if err := writePID(f); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// SyncDir is fsync on the directory.
func (OS) SyncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

func readPID(f *os.File) int {
	b := make([]byte, 32)
	n, _ := f.ReadAt(b, 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	if err != nil || pid < 0 {
		return 0
	}
	return pid
}

func writePID(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}
