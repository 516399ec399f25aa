package backup

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func sample(t testing.TB) []byte {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"keys/a": "secret", "keys/lock": "", "office/journal/1.seg": strings.Repeat("x", chunk+5), "empty": ""} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	w := NewWriter(&b)
	if err := w.Files(dir, "keys", func(p string) bool { return p == "keys/lock" }); err != nil {
		t.Fatal(err)
	}
	for _, data := range []string{"one", "", "three"} {
		if err := w.Message(Message{"RECORDS", "push.tab-1", []byte(data)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Files(dir, "", func(p string) bool { return p == "keys" }); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close("2026-03-02T08:00:00Z", 3); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestThereAndBack(t *testing.T) {
	dir := t.TempDir()
	var messages []string
	has, err := Read(bytes.NewReader(sample(t)), Visitor{File: Folder(dir), Message: func(m Message) error {
		messages = append(messages, m.Stream+" "+m.Subject+" "+string(m.Data))
		return nil
	}})
	if err != nil || has.Files != 3 || has.Messages["RECORDS"] != 3 || has.Log != 3 || has.Made != "2026-03-02T08:00:00Z" {
		t.Fatalf("%+v, %v", has, err)
	}
	if got := strings.Join(messages, "|"); got != "RECORDS push.tab-1 one|RECORDS push.tab-1 |RECORDS push.tab-1 three" {
		t.Errorf("messages %q", got)
	}
	for name, size := range map[string]int64{"keys/a": 6, "office/journal/1.seg": chunk + 5, "empty": 0} {
		info, err := os.Stat(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil || info.Size() != size || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, info, err)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "keys", "lock")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the lock: %v", err)
	}
}

// A path that would lead out of the folder is refused, whoever made the backup.
func TestPaths(t *testing.T) {
	for _, path := range []string{"../a", "/etc/passwd", "a/../../b", "", ".", `a\..\b`} {
		var b bytes.Buffer
		w := NewWriter(&b)
		w.frame(kindFile, []byte(path))
		w.has.Files++
		if _, err := w.Close("", 0); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(&b, Visitor{}); !errors.Is(err, ErrForm) {
			t.Errorf("%q: %v", path, err)
		}
	}
}

// What it says of itself is held to what is in it.
func TestContents(t *testing.T) {
	for name, spoil := range map[string]func(*Writer){
		"a file too many": func(w *Writer) { w.has.Files++ }, "a message too few": func(w *Writer) { w.has.Messages["RECORDS"] = 7 },
	} {
		var b bytes.Buffer
		w := NewWriter(&b)
		if err := w.Message(Message{"RECORDS", "push.a", nil}); err != nil {
			t.Fatal(err)
		}
		spoil(w)
		if _, err := w.Close("", 0); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(&b, Visitor{}); !errors.Is(err, ErrForm) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(magic))
	var b bytes.Buffer
	w := NewWriter(&b)
	_ = w.Message(Message{"RECORDS", "push.a", []byte("x")})
	w.frame(kindFile, []byte("keys/a"))
	w.frame(kindBytes, []byte("secret"))
	w.has.Files++
	if _, err := w.Close("now", 1); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		closed, opened := 0, 0
		_, err := Read(bytes.NewReader(b), Visitor{File: func(string) (io.WriteCloser, error) {
			opened++
			return counting{&closed}, nil
		}, Message: func(Message) error { return nil }})
		if opened != closed {
			t.Fatalf("%d files are open, %v", opened-closed, err)
		}
		if err != nil && !errors.Is(err, ErrForm) {
			t.Fatal(err)
		}
	})
}

type counting struct{ closed *int }

func (counting) Write(p []byte) (int, error) { return len(p), nil }
func (c counting) Close() error              { *c.closed++; return nil }

// Pieces that are each as they were written, and not where they were.
func TestSwapped(t *testing.T) {
	var b bytes.Buffer
	w := NewWriter(&b)
	var at []int
	for _, data := range []string{"one", "two"} {
		if err := errors.Join(w.Message(Message{"RECORDS", "push.tab-1", []byte(data)}), w.to.Flush()); err != nil {
			t.Fatal(err)
		}
		at = append(at, b.Len())
	}
	if _, err := w.Close("", 0); err != nil {
		t.Fatal(err)
	}
	whole := b.Bytes()
	swapped := bytes.Join([][]byte{whole[:len(magic)], whole[at[0]:at[1]], whole[len(magic):at[0]], whole[at[1]:]}, nil)
	if _, err := Read(bytes.NewReader(whole), Visitor{}); err != nil {
		t.Fatal(err)
	}
	if _, err := Read(bytes.NewReader(swapped), Visitor{}); !errors.Is(err, ErrForm) {
		t.Errorf("swapped: %v", err)
	}
}
