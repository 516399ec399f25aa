//go:build !windows && (!unix || solaris || illumos || aix)

package disk

import (
	"errors"
	"io"
	"os"
	"runtime"
)

var (
	errQuota  = errors.New("no room")
	errNotDir = errors.New("not a directory")
)

// Lock refuses: without a lock of the system two processes could write one journal.
func (OS) Lock(string) (io.Closer, error) {
	return nil, errors.New("no lock is known for " + runtime.GOOS)
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
