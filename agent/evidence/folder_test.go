package evidence

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"ullage/events"
	"ullage/events/entry"
)

var _ entry.Evidence = (*Folder)(nil)

func open(t testing.TB, dir string) *Folder {
	t.Helper()
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func keep(t testing.TB, f *Folder, plain string) events.Digest {
	t.Helper()
	d, err := f.Keep([]byte(plain))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// files lists all files below a folder, from there.
func files(t testing.TB, dir string) []string {
	t.Helper()
	var all []string
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			rel, _ := filepath.Rel(dir, path)
			all = append(all, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// want checks what a folder says of a digest.
func want(t testing.TB, f *Folder, d events.Digest, plain string, held bool) {
	t.Helper()
	for name, read := range map[string]func(events.Digest) ([]byte, bool, error){"Text": f.Text, "Piece": f.Piece} {
		got, ok, err := read(d)
		if err != nil || ok != held || string(got) != plain {
			t.Errorf("%s = %.40q, %v, %v, want %.40q, %v", name, got, ok, err, plain, held)
		}
	}
	if ok, err := f.Has(d); err != nil || ok != held {
		t.Errorf("Has = %v, %v, want %v", ok, err, held)
	}
}

func TestKeep(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "evidence")
	f := open(t, dir)
	pieces := []string{"x", "a text that is long enough to be evidence", "", strings.Repeat("ö", entry.MaxPlain/2)}
	digests := make([]events.Digest, len(pieces))
	for i, p := range pieces {
		digests[i] = keep(t, f, p)
	}
	for _, f := range []*Folder{f, open(t, dir), View(dir)} {
		for i, p := range pieces {
			want(t, f, digests[i], p, true)
			for j, other := range pieces {
				if same, err := f.Same(digests[i], []byte(other)); err != nil || same != (i == j) {
					t.Errorf("Same(%d, %d) = %v, %v", i, j, same, err)
				}
			}
		}
	}
	if again := keep(t, f, pieces[1]); again == digests[1] {
		t.Error("the same text twice has one digest")
	}
	if got := len(files(t, dir)); got != 10 {
		t.Errorf("%d files for 5 pieces", got)
	}
	for _, name := range files(t, dir) {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || bytes.Contains(b, []byte("long enough")) {
			t.Errorf("%s: %v, or it can be read", name, err)
		}
		info, err := os.Stat(filepath.Join(dir, name))
		if runtime.GOOS != "windows" && (err != nil || info.Mode().Perm() != 0o600) {
			t.Errorf("%s has mode %v, %v", name, info.Mode(), err)
		}
	}
}

// The digest is what the format says, by the bytes on the disk.
func TestFormat(t *testing.T) {
	dir := t.TempDir()
	d := keep(t, open(t, dir), "some text")
	key, err := os.ReadFile(filepath.Join(dir, "keys", d.String()))
	if err != nil || len(key) != 84 || string(key[:16]) != "ullage.key.1\n\x00\x00\x00" {
		t.Fatalf("key file %x, %v", key, err)
	}
	if got := events.Digest(sha256.Sum256(append(bytes.Clone(key[16:48]), "some text"...))); got != d {
		t.Errorf("digest %s, want %s", d, got)
	}
	piece, err := os.ReadFile(filepath.Join(dir, "pieces", d.String()))
	if err != nil || len(piece) != len("some text")+32 || string(piece[:16]) != "ullage.piece.1\n\x00" {
		t.Errorf("piece %x, %v", piece, err)
	}
}

func TestSizes(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir)
	if _, err := f.Keep(make([]byte, MaxPiece+1)); !errors.Is(err, ErrTooLarge) || len(files(t, dir)) > 0 {
		t.Errorf("too large: %v, and %v", err, files(t, dir))
	}
	for name, plain := range map[string][]byte{"picture": []byte("\xff\xd8\xff\xe0"), "long": bytes.Repeat([]byte("x"), entry.MaxPlain+1), "greatest": make([]byte, MaxPiece)} {
		d, err := f.Keep(plain)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok, err := f.Text(d); ok || err != nil || got != nil {
			t.Errorf("%s: Text = %d bytes, %v, %v", name, len(got), ok, err)
		}
		if got, ok, err := f.Piece(d); !ok || err != nil || !bytes.Equal(got, plain) {
			t.Errorf("%s: Piece = %d bytes, %v, %v", name, len(got), ok, err)
		}
	}
}

// What is not here, what is known and not yet here, and what was erased are no errors.
func TestNotHere(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir)
	want(t, f, events.Digest{1}, "", false)
	if same, err := f.Same(events.Digest{1}, nil); same || err != nil {
		t.Errorf("Same = %v, %v", same, err)
	}
	want(t, View(filepath.Join(dir, "nowhere")), events.Digest{1}, "", false)

	d := keep(t, f, "to come")
	if err := os.Remove(f.pieceFile(d)); err != nil {
		t.Fatal(err)
	}
	want(t, f, d, "", false)
	if same, err := f.Same(d, []byte("to come")); !same || err != nil {
		t.Errorf("Same of a piece to come = %v, %v", same, err)
	}

	d = keep(t, f, "to go")
	gone := append([]byte("ullage.gone.1\n\x00\x00"), make([]byte, 64+4)...)
	body := gone[:80]
	copy(gone[80:], []byte{byte(sum(d, body)), byte(sum(d, body) >> 8), byte(sum(d, body) >> 16), byte(sum(d, body) >> 24)})
	if err := os.WriteFile(f.keyFile(d), gone, 0o600); err != nil {
		t.Fatal(err)
	}
	want(t, f, d, "", false)
	if same, err := f.Same(d, []byte("to go")); same || err != nil {
		t.Errorf("Same of what was erased = %v, %v", same, err)
	}
}

func TestReadOnly(t *testing.T) {
	dir := t.TempDir()
	if _, err := View(dir).Keep(nil); !errors.Is(err, ErrReadOnly) || len(files(t, dir)) > 0 {
		t.Errorf("Keep: %v", err)
	}
}

// A damaged byte anywhere is found, and the digest and the file are named.
func TestDamage(t *testing.T) {
	f := open(t, t.TempDir())
	const plain = "a text"
	d := keep(t, f, plain)
	for _, file := range []string{f.keyFile(d), f.pieceFile(d)} {
		good, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		check := func(what string, content []byte) {
			t.Helper()
			if err := os.WriteFile(file, content, 0o600); err != nil {
				t.Fatal(err)
			}
			got, ok, err := f.Text(d)
			var damaged *DamagedError
			if !errors.As(err, &damaged) || !errors.Is(err, ErrDamaged) || ok || got != nil {
				t.Fatalf("%s: Text = %q, %v, %v", what, got, ok, err)
			}
			if damaged.Digest != d || damaged.File != file || !strings.Contains(err.Error(), d.String()) {
				t.Errorf("%s: the error is %v", what, err)
			}
			if file == f.keyFile(d) {
				if same, err := f.Same(d, []byte(plain)); !errors.Is(err, ErrDamaged) || same {
					t.Errorf("%s: Same = %v, %v", what, same, err)
				}
				if ok, err := f.Has(d); !errors.Is(err, ErrDamaged) || ok {
					t.Errorf("%s: Has = %v, %v", what, ok, err)
				}
			}
		}
		for i := range good {
			for _, bit := range []byte{1, 0x80, 0xff} {
				bad := bytes.Clone(good)
				bad[i] ^= bit
				check(fmt.Sprintf("byte %d of %s", i, file), bad)
			}
			check(fmt.Sprintf("cut at %d", i), good[:i])
		}
		check("longer", append(bytes.Clone(good), 0))
		if err := os.WriteFile(file, good, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want(t, f, d, plain, true)

	// The files of another piece in its place.
	e := keep(t, f, plain)
	for _, name := range []func(events.Digest) string{f.keyFile, f.pieceFile} {
		mine, _ := os.ReadFile(name(d))
		other, _ := os.ReadFile(name(e))
		if err := os.WriteFile(name(d), other, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := f.Text(d); !errors.Is(err, ErrDamaged) {
			t.Errorf("with another's file: %v", err)
		}
		if err := os.WriteFile(name(d), mine, 0o600); err != nil {
			t.Fatal(err)
		}
	}

	// Larger than any piece: no memory is taken for it.
	if err := os.Truncate(f.pieceFile(e), 1<<40); err == nil {
		if _, _, err := f.Piece(e); !errors.Is(err, ErrDamaged) {
			t.Errorf("larger than any piece: %v", err)
		}
		if _, ok, err := f.Text(e); !errors.Is(err, ErrDamaged) || ok {
			t.Errorf("larger than any text: %v, %v", ok, err)
		}
	}
	if err := os.Remove(f.keyFile(d)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.Text(d); !errors.Is(err, ErrDamaged) || errors.Is(err, fs.ErrNotExist) {
		t.Errorf("without its key: %v", err)
	}
}

// A sealed content of another digest cannot come from Keep; whoever has the key could make it.
func TestOtherContent(t *testing.T) {
	var s secret
	d := s.digest([]byte("mine"))
	if plain, why := s.open(d, s.seal([]byte("other"))); why == "" || plain != nil {
		t.Errorf("opened to %q", plain)
	}
}

// Whatever step fails, and wherever the power goes, a digest is only given out for what is there.
func TestFailures(t *testing.T) {
	failed := errors.New("no space left")
	dir := t.TempDir()
	f := open(t, dir)
	first := keep(t, f, "before")
	steps := 0
	f.step = func(string) error { steps++; return nil }
	keep(t, f, "count")
	all := steps
	if all != 8 {
		t.Fatalf("%d steps, want 8", all)
	}
	for n := 1; n <= all; n++ {
		for _, crash := range []bool{false, true} {
			f := open(t, dir)
			at := 0
			f.step = func(what string) error {
				if at++; at != n {
					return nil
				}
				if crash {
					panic(what)
				}
				return fmt.Errorf("%s: %w", what, failed)
			}
			func() {
				defer func() { recover() }()
				if d, err := f.Keep([]byte("lost")); !errors.Is(err, failed) || d != (events.Digest{}) {
					t.Errorf("step %d: Keep = %v, %v", n, d, err)
				}
			}()
			if left, err := os.ReadDir(f.unfinished()); err != nil || !crash && len(left) > 0 {
				t.Errorf("step %d: %d half written files are left, %v", n, len(left), err)
			}
			f = open(t, dir)
			want(t, f, first, "before", true)
			for _, name := range files(t, dir) {
				if strings.HasPrefix(name, "tmp/") {
					t.Errorf("step %d: %s is left", n, name)
				}
				if d, err := events.ParseHash(filepath.Base(name)); err != nil {
					t.Errorf("step %d: %s", n, name)
				} else if _, _, err := f.Text(d); err != nil {
					t.Errorf("step %d: %v", n, err)
				}
			}
			want(t, f, keep(t, f, "after"), "after", true)
		}
	}
	f = open(t, t.TempDir())
	for n := range 2 {
		f.random = &failing{n, failed}
		if _, err := f.Keep(nil); !errors.Is(err, failed) {
			t.Errorf("random: %v", err)
		}
	}
}

// failing fails after some reads.
type failing struct {
	left int
	err  error
}

func (r *failing) Read(b []byte) (int, error) {
	if r.left--; r.left < 0 {
		return 0, r.err
	}
	return rand.Read(b)
}

// Leftovers of a crash are not seen, and are removed by who writes, not by who views.
func TestLeftovers(t *testing.T) {
	dir := t.TempDir()
	d := keep(t, open(t, dir), "kept")
	half := filepath.Join(dir, "tmp", "123")
	if err := os.WriteFile(half, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	want(t, View(dir), d, "kept", true)
	if _, err := os.Stat(half); err != nil {
		t.Errorf("a viewer removed it: %v", err)
	}
	f := open(t, dir)
	if _, err := os.Stat(half); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("still there: %v", err)
	}
	want(t, f, d, "kept", true)
}

func TestOpenFails(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{file, filepath.Join(file, "below")} {
		if _, err := Open(at); err == nil || !strings.Contains(err.Error(), file) {
			t.Errorf("Open(%s): %v", at, err)
		}
	}
}

func TestConcurrent(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir)
	var wg sync.WaitGroup
	var mu sync.Mutex
	digests := map[events.Digest]string{}
	for i := range 8 {
		wg.Go(func() {
			for j := range 10 {
				text := fmt.Sprintf("text %d of %d", j%2, i)
				d, err := f.Keep([]byte(text))
				if err != nil {
					t.Error(err)
					return
				}
				if got, ok, err := f.Text(d); err != nil || !ok || string(got) != text {
					t.Errorf("Text = %q, %v, %v", got, ok, err)
				}
				mu.Lock()
				digests[d] = text
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if len(digests) != 80 {
		t.Errorf("%d digests of 80 pieces", len(digests))
	}
	f = open(t, dir)
	for d, text := range digests {
		want(t, f, d, text, true)
	}
}
