//go:build !(linux || darwin || freebsd || netbsd || openbsd || windows)

package command

import "os"

// hide cannot keep a terminal of this system from showing what is typed.
func hide(*os.File) (show func() error, err error) { return nil, ErrNoTerminal }
