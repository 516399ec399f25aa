//go:build linux || darwin || freebsd

package disk

import "syscall"

// Free is how many bytes there are left for the centre on the disk that has path, and of how many; known is false where this
// system does not tell.
func Free(path string) (free, of uint64, known bool, err error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(path, &s); err != nil {
		return 0, 0, false, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), s.Blocks * uint64(s.Bsize), true, nil
}
