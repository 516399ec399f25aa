package mirror

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// tree is what stands in a folder.
func tree(t *testing.T, dir string) string {
	t.Helper()
	text := ""
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		text += strings.TrimPrefix(path, dir) + ": " + string(b) + "\n"
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestSync(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	m := New(from, to, "token", "keys", "office")
	sync := func(want string) {
		t.Helper()
		if err := m.Sync(); err != nil {
			t.Fatal(err)
		}
		if got := tree(t, to); got != want {
			t.Errorf("got\n%swant\n%s", got, want)
		}
	}
	sync("")
	write(t, filepath.Join(from, "keys", "a"), "one")
	write(t, filepath.Join(from, "keys", "lock"), "held")
	write(t, filepath.Join(from, "keys", ".a-123"), "half")
	write(t, filepath.Join(from, "office", "journal", "1.seg"), "abc")
	write(t, filepath.Join(from, "streams", "big"), "not ours")
	sync("/keys/a: one\n/office/journal/1.seg: abc\n")
	write(t, filepath.Join(from, "office", "journal", "1.seg"), "abcdef")
	write(t, filepath.Join(from, "token"), "t")
	sync("/keys/a: one\n/office/journal/1.seg: abcdef\n/token: t\n")
	write(t, filepath.Join(from, "keys", "a"), "two")
	if err := os.RemoveAll(filepath.Join(from, "office")); err != nil {
		t.Fatal(err)
	}
	sync("/keys/a: two\n/token: t\n")

	// Another start knows nothing of what was copied, and finds what was changed behind its back.
	write(t, filepath.Join(to, "keys", "a"), "twx")
	write(t, filepath.Join(to, "keys", "b"), "who?")
	m = New(from, to, "token", "keys", "office")
	sync("/keys/a: two\n/token: t\n")
}

// TestOverwrites: what a copy held that is replaced or goes is not in its old file any more, should somebody still have that.
func TestOverwrites(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	m := New(from, to, "evidence")
	write(t, filepath.Join(from, "evidence", "one.key"), "secret one")
	write(t, filepath.Join(from, "evidence", "two.key"), "secret two")
	if err := m.Sync(); err != nil {
		t.Fatal(err)
	}
	var open []*os.File
	for _, name := range []string{"one.key", "two.key"} {
		f, err := os.Open(filepath.Join(to, "evidence", name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		open = append(open, f)
	}
	write(t, filepath.Join(from, "evidence", "one.key"), "erased!!!!")
	if err := os.Remove(filepath.Join(from, "evidence", "two.key")); err != nil {
		t.Fatal(err)
	}
	if err := m.Sync(); err != nil {
		t.Fatal(err)
	}
	for _, f := range open {
		b := make([]byte, 10)
		if _, err := f.ReadAt(b, 0); err != nil || !bytes.Equal(b, make([]byte, 10)) {
			t.Errorf("%s still has %q (%v)", f.Name(), b, err)
		}
	}
}

func TestNoPlace(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	write(t, filepath.Join(from, "token"), "t")
	if err := os.Mkdir(filepath.Join(to, "token"), 0o700); err != nil { // in its way
		t.Fatal(err)
	}
	if err := New(from, to, "token").Sync(); err == nil || !strings.Contains(err.Error(), "token") {
		t.Errorf("%v", err)
	}
}
