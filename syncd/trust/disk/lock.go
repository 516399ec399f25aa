package disk

import (
	"errors"
	"fmt"
	"os"
	"strings"
)

// ErrHeld is in the error of Lock where another process, or another part of this one, holds the lock.
var ErrHeld = errors.New("in use")

// Held is a lock that the operating system takes back when the process ends, however it ends.
type Held struct{ f *os.File }

// Lock takes the lock whose file is path, without waiting. Its error wraps ErrHeld and names the holder where the
// lock is held. The file stays when the lock is released: taking it away would let two hold it.
func Lock(path string) (*Held, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock: %w", err)
	}
	if err := lock(f); err != nil {
		defer f.Close()
		if !errors.Is(err, ErrHeld) {
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		holder := "another process"
		if b, err := os.ReadFile(path); err == nil && len(b) > 0 && len(b) < 32 {
			holder = "process " + strings.TrimSpace(string(b))
		}
		return nil, fmt.Errorf("%s: %w by %s", path, ErrHeld, holder)
	}
	// The number is for whoever is refused; nothing rests on it.
	if f.Truncate(0) == nil {
		fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return &Held{f}, nil
}

// Release gives the lock back.
func (h *Held) Release() error { return h.f.Close() }
