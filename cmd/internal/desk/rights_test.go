package desk_test

import (
	"io/fs"
	"path/filepath"
	"runtime"
	"testing"
)

// What a centre and a device keep is for their owner's eyes alone, whatever the mask of the process is.
func TestFilesAreTheOwners(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("SKIPPED: this system has no rights of files")
	}
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	note(t, d, "a text that is longer than eighty characters, so that it becomes a piece of evidence of its own here")
	synced(t, d)
	seen := 0
	for _, root := range []string{c.dir, dir} {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := e.Info()
			if err != nil {
				return nil // it went away meanwhile
			}
			seen++
			if info.Mode().Perm()&0o077 != 0 {
				t.Errorf("%s has mode %v", path, info.Mode().Perm())
			}
			if path == filepath.Join(c.dir, "streams") { // what is in it has the rights that the broker gives it; nobody else gets in
				return fs.SkipDir
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if seen < 40 {
		t.Errorf("only %d files were seen", seen)
	}
}
