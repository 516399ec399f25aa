package storm

import (
	"errors"
	"os"
	"runtime"
	"runtime/pprof"
	"time"
)

// usage is what a process has used.
type usage struct {
	User     time.Duration `json:"user_ns"`
	System   time.Duration `json:"system_ns"`
	Resident int64         `json:"resident_bytes"` // the most so far
}

// since is what was used after before; the memory is the most of both.
func (u usage) since(before usage) usage {
	return usage{u.User - before.User, u.System - before.System, u.Resident}
}

func (u usage) cpu() time.Duration { return u.User + u.System }

// profile profiles this process until stop is called: its CPU into a file, and then its memory into another beside it.
// Without a name it does nothing.
func profile(name string) (stop func() error, err error) {
	if name == "" {
		return func() error { return nil }, nil
	}
	f, err := os.OpenFile(name+".cpu", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return func() error {
		pprof.StopCPUProfile()
		if err := f.Close(); err != nil {
			return err
		}
		m, err := os.OpenFile(name+".memory", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		runtime.GC()
		return errors.Join(pprof.WriteHeapProfile(m), m.Close())
	}, nil
}
