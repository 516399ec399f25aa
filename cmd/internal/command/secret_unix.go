//go:build linux || darwin || freebsd || netbsd || openbsd

package command

import (
	"os"

	"golang.org/x/sys/unix"
)

// hide keeps a terminal from showing what is typed, until show.
func hide(f *os.File) (show func() error, err error) {
	fd := int(f.Fd())
	before, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return nil, err
	}
	hidden := *before
	hidden.Lflag &^= unix.ECHO
	hidden.Lflag |= unix.ICANON | unix.ISIG
	hidden.Iflag |= unix.ICRNL
	if err := unix.IoctlSetTermios(fd, setTermios, &hidden); err != nil {
		return nil, err
	}
	return func() error { return unix.IoctlSetTermios(fd, setTermios, before) }, nil
}
