package command

import (
	"os"

	"golang.org/x/sys/windows"
)

// hide keeps a console from showing what is typed, until show.
func hide(f *os.File) (show func() error, err error) {
	h := windows.Handle(f.Fd())
	var before uint32
	if err := windows.GetConsoleMode(h, &before); err != nil {
		return nil, err
	}
	hidden := before&^windows.ENABLE_ECHO_INPUT | windows.ENABLE_LINE_INPUT | windows.ENABLE_PROCESSED_INPUT
	if err := windows.SetConsoleMode(h, hidden); err != nil {
		return nil, err
	}
	return func() error { return windows.SetConsoleMode(h, before) }, nil
}
