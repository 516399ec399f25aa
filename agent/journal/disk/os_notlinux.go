//go:build !linux

package disk

import "os"

// syncData asks for all that the system has to offer; on Apple's systems that is F_FULLFSYNC.
func syncData(f *os.File) error { return f.Sync() }
