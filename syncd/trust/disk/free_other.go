//go:build !(linux || darwin || freebsd)

package disk

// Free is how many bytes there are left for the centre on the disk that has path, and of how many; known is false where this
// system does not tell.
func Free(string) (free, of uint64, known bool, err error) { return 0, 0, false, nil }
