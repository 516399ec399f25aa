package publog

import (
	"errors"
	"path/filepath"
	"testing"
)

// syncing counts the syncs of a file, which may fail.
type syncing struct {
	file
	wrote, synced int // bytes written, and those of them that a sync has covered
	err           error
}

func (s *syncing) WriteAt(p []byte, off int64) (int, error) {
	n, err := s.file.WriteAt(p, off)
	s.wrote += n
	return n, err
}

func (s *syncing) Sync() error {
	if s.err != nil {
		return s.err
	}
	s.synced = s.wrote
	return s.file.Sync()
}

// An entry counts once it is on the disk, and not before.
func TestAppendIsSynced(t *testing.T) {
	e, err := openEntries(filepath.Join(t.TempDir(), "entries"))
	if err != nil {
		t.Fatal(err)
	}
	s := &syncing{file: e.f}
	e.f = s
	defer s.Close()
	for range 3 {
		if _, err := e.append(frame{1, []byte("some entries")}); err != nil || s.synced != s.wrote || s.wrote == 0 {
			t.Fatalf("of %d bytes %d are synced, %v", s.wrote, s.synced, err)
		}
	}
	end := e.end
	s.err = errors.New("the cable")
	if _, err := e.append(frame{1, []byte("more")}); !errors.Is(err, s.err) || e.end != end {
		t.Fatalf("a sync that fails: %v, the end is %d, not %d", err, e.end, end)
	}
}
