package journal

import (
	"sync"
	"ullage/agent/journal/disk"
)

// maxHandles is how many files are kept open for reading.
const maxHandles = 192

// handles keeps files open that were read lately.
type handles struct {
	dirFS
	mu   sync.Mutex // guards what is below
	open map[string]*handle
	tick uint64
}

// handle is an open file; it is closed when it is forgotten and nobody reads it.
type handle struct {
	disk.File
	refs int
	used uint64
	gone bool
}

// take gives the file of that name, opened where it is not; give gives it back.
func (h *handles) take(name string) (*handle, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.tick++
	if f := h.open[name]; f != nil {
		f.refs++
		f.used = h.tick
		return f, nil
	}
	file, err := h.dirFS.open(name)
	if err != nil {
		return nil, err
	}
	if h.open == nil {
		h.open = make(map[string]*handle)
	}
	if len(h.open) >= maxHandles {
		h.dropOldest()
	}
	f := &handle{File: file, refs: 1, used: h.tick}
	h.open[name] = f
	return f, nil
}

func (h *handles) give(f *handle) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f.refs--
	if f.gone && f.refs == 0 {
		f.Close()
	}
}

// forget lets go of a file whose name now means another, or none.
func (h *handles) forget(name string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.drop(name)
}

func (h *handles) forgetAll() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for name := range h.open {
		h.drop(name)
	}
}

func (h *handles) dropOldest() {
	var oldest string
	for name, f := range h.open {
		if f.refs == 0 && (oldest == "" || f.used < h.open[oldest].used) {
			oldest = name
		}
	}
	if oldest != "" {
		h.drop(oldest)
	}
}

func (h *handles) drop(name string) {
	f := h.open[name]
	if f == nil {
		return
	}
	delete(h.open, name)
	f.gone = true
	if f.refs == 0 {
		f.Close()
	}
}

// readAt reads n bytes of a file, fewer where it ends.
func (h *handles) readAt(name string, off int64, n int) ([]byte, error) {
	f, err := h.take(name)
	if err != nil {
		return nil, err
	}
	defer h.give(f)
	return readUpTo(f, n, off)
}
