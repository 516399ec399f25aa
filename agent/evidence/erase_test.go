package evidence

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"ullage/events"
)

// erased checks what a folder says of a digest that was erased.
func erased(t *testing.T, f *Folder, d events.Digest, plain string) {
	t.Helper()
	want(t, f, d, "", false)
	if gone, err := f.Erased(d); !gone || err != nil {
		t.Errorf("Erased = %v, %v", gone, err)
	}
	if same, err := f.Same(d, []byte(plain)); same || err != nil {
		t.Errorf("Same = %v, %v", same, err)
	}
}

// search tells in which files below a folder bytes stand.
func search(t *testing.T, dir string, what []byte) (found []string) {
	t.Helper()
	for _, name := range files(t, dir) {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(b, what) {
			found = append(found, name)
		}
	}
	return found
}

func TestErase(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir)
	d, other := keep(t, f, "the name of a person"), keep(t, f, "stays")
	s, ok, err := f.secret(d)
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	sealed, err := os.ReadFile(f.pieceFile(d))
	if err != nil {
		t.Fatal(err)
	}
	secrets := map[string][]byte{"key": s.key[:], "salt": s.salt[:], "encrypted piece": sealed}
	for name, b := range secrets {
		if len(search(t, dir, b)) != 1 {
			t.Errorf("before: %s is in %v", name, search(t, dir, b))
		}
	}
	before, err := os.Stat(f.keyFile(d))
	if err != nil {
		t.Fatal(err)
	}
	if gone, err := f.Erased(d); gone || err != nil {
		t.Errorf("before: Erased = %v, %v", gone, err)
	}
	for range 2 { // again is no error
		if err := f.Erase(d); err != nil {
			t.Fatal(err)
		}
		erased(t, f, d, "the name of a person")
	}
	erased(t, View(dir), d, "the name of a person")
	erased(t, open(t, dir), d, "the name of a person")
	for name, b := range secrets {
		if found := search(t, dir, b); found != nil {
			t.Errorf("after: %s is in %v", name, found)
		}
	}
	// By the bytes on the disk: as FORMAT.md has it, and in the file that it was.
	b, err := os.ReadFile(f.keyFile(d))
	if err != nil || len(b) != 84 || string(b[:16]) != "ullage.gone.1\n\x00\x00" || !bytes.Equal(b[16:80], make([]byte, 64)) {
		t.Errorf("it leaves %x, %v", b, err)
	}
	if after, err := os.Stat(f.keyFile(d)); err != nil || !os.SameFile(before, after) {
		t.Errorf("the key was not overwritten where it lay: %v", err)
	}
	want(t, f, other, "stays", true)
}

// A piece that was never here, one whose piece has not come, and one whose key is damaged or missing.
func TestEraseOdd(t *testing.T) {
	for name, spoil := range map[string]func(f *Folder, d events.Digest) error{
		"piece to come": func(f *Folder, d events.Digest) error { return os.Remove(f.pieceFile(d)) },
		"key missing":   func(f *Folder, d events.Digest) error { return os.Remove(f.keyFile(d)) },
		"never here": func(f *Folder, d events.Digest) error {
			return errors.Join(os.Remove(f.pieceFile(d)), os.Remove(f.keyFile(d)))
		},
		"key cut": func(f *Folder, d events.Digest) error { return os.Truncate(f.keyFile(d), 70) },
		"key flipped": func(f *Folder, d events.Digest) error {
			b, err := os.ReadFile(f.keyFile(d))
			if err == nil {
				b[0] ^= 1
				err = os.WriteFile(f.keyFile(d), b, 0o600)
			}
			return err
		},
		"key twice": func(f *Folder, d events.Digest) error {
			b, err := os.ReadFile(f.keyFile(d))
			if err == nil {
				err = os.WriteFile(f.keyFile(d), bytes.Repeat(b, 100), 0o600)
			}
			return err
		},
	} {
		dir := t.TempDir()
		f := open(t, dir)
		d := keep(t, f, "a text")
		s, _, err := f.secret(d)
		if err != nil {
			t.Fatal(err)
		}
		if err := spoil(f, d); err != nil {
			t.Fatal(err)
		}
		if gone, err := f.Erased(d); gone || err != nil {
			t.Errorf("%s: before: Erased = %v, %v", name, gone, err)
		}
		if err := f.Erase(d); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		erased(t, f, d, "a text")
		for _, b := range [][]byte{s.key[:], s.salt[:]} {
			if found := search(t, dir, b); found != nil {
				t.Errorf("%s: key or salt is in %v", name, found)
			}
		}
		if info, err := os.Stat(f.keyFile(d)); err != nil || info.Size() != 84 || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: the key file: %v, %v", name, info, err)
		}
	}
}

func TestEraseReadOnly(t *testing.T) {
	dir := t.TempDir()
	d := keep(t, open(t, dir), "stays")
	if err := View(dir).Erase(d); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Erase: %v", err)
	}
	want(t, View(dir), d, "stays", true)
}

// Whatever step fails, and wherever the power goes: it is readable as it was, or not readable at all; it is never told
// as erased before it is; and a repeat completes it.
func TestEraseFailures(t *testing.T) {
	failed := errors.New("it failed")
	const plain = "a text"
	cases := map[string]struct {
		steps int
		make  func(f *Folder) events.Digest
	}{
		"held":       {4, func(f *Folder) events.Digest { return keep(t, f, plain) }},
		"never here": {5, func(f *Folder) events.Digest { return events.Digest{7} }},
		"too large": {5, func(f *Folder) events.Digest {
			d := keep(t, f, plain)
			if err := os.WriteFile(f.keyFile(d), bytes.Repeat([]byte("k"), 200), 0o600); err != nil {
				t.Fatal(err)
			}
			return d
		}},
	}
	for name, c := range cases {
		f := open(t, t.TempDir())
		steps := 0
		f.step = func(string) error { steps++; return nil }
		d := c.make(f)
		steps = 0
		if err := f.Erase(d); err != nil || steps != c.steps {
			t.Fatalf("%s: %d steps, want %d; %v", name, steps, c.steps, err)
		}
		for n := 1; n <= c.steps; n++ {
			for _, crash := range []bool{false, true} {
				dir := t.TempDir()
				f := open(t, dir)
				d := c.make(f)
				at, what := 0, ""
				f.step = func(step string) error {
					if at++; at != n {
						return nil
					}
					what = step
					if crash {
						panic(step)
					}
					return failed
				}
				func() {
					defer func() { recover() }()
					if err := f.Erase(d); !errors.Is(err, failed) {
						t.Errorf("%s, step %d: Erase = %v", name, n, err)
					}
				}()
				if what == "cut" && len(search(t, dir, []byte("kk"))) > 0 {
					t.Errorf("%s: blocks are given away before they are overwritten", name)
				}
				told := fmt.Sprintf("%s, step %d (%s), crash %v", name, n, what, crash)
				f = open(t, dir)
				got, ok, err := f.Text(d)
				if ok && (string(got) != plain || n > 1) || !ok && got != nil {
					t.Errorf("%s: Text = %q, %v, %v", told, got, ok, err)
				}
				gone, err := f.Erased(d)
				if err != nil || gone && len(search(t, dir, []byte(magicPiece))) > 0 {
					t.Errorf("%s: Erased = %v, %v, and the piece is there", told, gone, err)
				}
				if err := f.Erase(d); err != nil {
					t.Errorf("%s: again: %v", told, err)
				}
				erased(t, f, d, plain)
				if left := files(t, dir); len(left) != 1 {
					t.Errorf("%s: %v is left", told, left)
				}
			}
		}
	}
}

// A backup that is put back holds the key again; erasing again takes it away again.
func TestEraseAfterRestore(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir)
	d := keep(t, f, "a text")
	backup := t.TempDir()
	if err := os.CopyFS(backup, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := f.Erase(d); err != nil {
		t.Fatal(err)
	}
	f = open(t, backup)
	want(t, f, d, "a text", true)
	if gone, err := f.Erased(d); gone || err != nil {
		t.Errorf("Erased = %v, %v", gone, err)
	}
	if err := f.Erase(d); err != nil {
		t.Fatal(err)
	}
	erased(t, f, d, "a text")
}
