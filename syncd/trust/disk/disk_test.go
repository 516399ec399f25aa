package disk

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func TestWriteFile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	if err := MakeDir(dir); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "f")
	for _, want := range []string{"first, and longer", "second"} {
		if err := WriteFile(path, []byte(want)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Errorf("got %q, %v", got, err)
		}
	}
	// A folder in the place of the file lets the rename fail, with everything before it done.
	taken := filepath.Join(dir, "taken")
	if err := MakeDir(filepath.Join(taken, "in it")); err != nil {
		t.Fatal(err)
	}
	if err := WriteFile(taken, nil); err == nil {
		t.Error("a folder was replaced")
	}
	if err := WriteFile(filepath.Join(dir, "none", "f"), nil); err == nil {
		t.Error("written into a folder that is not there")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, tempMark+"*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	if err := os.WriteFile(filepath.Join(dir, tempMark+"f-1"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Sweep(dir); err != nil {
		t.Fatal(err)
	}
	if err := Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := Remove(path); err != nil {
		t.Errorf("removing what is not there: %v", err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
		t.Errorf("left over: %v, %v", entries, err)
	}
}

func TestLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	first, err := Lock(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Lock(path); !errors.Is(err, ErrHeld) {
		t.Errorf("a second one: %v", err)
	}
	if err := first.Release(); err != nil {
		t.Fatal(err)
	}
	again, err := Lock(path)
	if err != nil {
		t.Fatal(err)
	}
	again.Release()
	if _, err := Lock(filepath.Join(path, "none")); err == nil || errors.Is(err, ErrHeld) {
		t.Errorf("a lock that cannot be: %v", err)
	}
}
