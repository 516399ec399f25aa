package syncd

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"ullage/syncd/backup"
	"ullage/syncd/broker"
)

// A centre uses the servers that are named, or those of its last start; a folder that has streams of its own goes to none.
func TestChosenServers(t *testing.T) {
	const one, two = "tls://192.0.2.1:4222", "tls://192.0.2.2:4222"
	for name, c := range map[string]struct {
		given []string
		file  string
		own   bool
		want  []string
		err   error
	}{
		"nothing":            {},
		"own streams":        {own: true},
		"given":              {given: []string{one, two}, want: []string{one, two}},
		"remembered":         {file: `{"servers":["` + one + `"]}`, want: []string{one}},
		"given over":         {given: []string{two}, file: `{"servers":["` + one + `"]}`, want: []string{two}},
		"own streams, given": {given: []string{one}, own: true, err: ErrStreams},
		"no address":         {given: []string{"192.0.2.1"}, err: broker.ErrAddress},
		"none remembered":    {file: `{}`, err: broker.ErrAddress},
		"a damaged file":     {file: `{"servers":["x"]}`, err: broker.ErrAddress},
	} {
		dir := t.TempDir()
		if c.own {
			if err := os.Mkdir(filepath.Join(dir, "streams"), 0o700); err != nil {
				t.Fatal(err)
			}
		}
		if c.file != "" {
			if err := os.WriteFile(filepath.Join(dir, "cluster.json"), []byte(c.file), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		got, err := chosenServers(Config{Dir: dir, Servers: c.given})
		if !slices.Equal(got, c.want) || !errors.Is(err, c.err) {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
}

// What is made gets its name when it is whole, and takes the place of nothing.
func TestNewFolder(t *testing.T) {
	top := t.TempDir()
	made := filepath.Join(top, "deep", "made")
	file := func(dir string) error { return os.WriteFile(filepath.Join(dir, "f"), nil, 0o600) }
	failed := errors.New("it failed")
	if err := newFolder(made, func(dir string) error { return errors.Join(file(dir), failed) }); !errors.Is(err, failed) {
		t.Errorf("a failed one: %v", err)
	}
	if left, err := os.ReadDir(filepath.Dir(made)); err != nil || len(left) > 0 {
		t.Errorf("of a failed one is left: %v, %v", left, err)
	}
	if err := newFolder(made, file); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(made, "f")); err != nil {
		t.Error(err)
	}
	if err := newFolder(made, file); !errors.Is(err, backup.ErrTarget) {
		t.Errorf("over one that is there: %v", err)
	}
}

// A centre that keeps its streams itself has one seat, and nothing is made.
func TestSeatOfOne(t *testing.T) {
	dir, to := t.TempDir(), filepath.Join(t.TempDir(), "second")
	if _, err := NewSeat(t.Context(), Config{Dir: dir}, to); !errors.Is(err, ErrAlone) {
		t.Errorf("a seat of a centre without a cluster: %v", err)
	}
	if _, err := os.Stat(to); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it is there: %v", err)
	}
}
