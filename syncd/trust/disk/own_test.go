package disk

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

type own struct {
	Version int    `json:"version"`
	Name    string `json:"name"`
}

func TestDecode(t *testing.T) {
	for content, good := range map[string]bool{
		`{"version":1,"name":"a"}`: true, `{"version":1}` + "\n": true,
		``: false, `{`: false, `[]`: false, `{"version":2}`: false, `{"name":"a"}`: false, `{"version":1,"other":1}`: false, `{"version":1} {}`: false,
	} {
		var o own
		if err := Decode([]byte(content), &o, &o.Version, 1); (err == nil) != good {
			t.Errorf("%q: %v", content, err)
		}
	}
}

// FuzzDecode: what is taken is a file of ours, whatever its spaces.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{`{"version":1,"name":"a"}`, `{"version":1,"other":1}`, `{"version":1}{}`, `{"version":1,"version":2}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		var o own
		if Decode(content, &o, &o.Version, 1) != nil {
			return
		}
		if o.Version != 1 || !json.Valid(content) {
			t.Errorf("%q is taken", content)
		}
	})
}

func TestEach(t *testing.T) {
	dir := t.TempDir()
	put := func(name string, size int) {
		if err := os.WriteFile(filepath.Join(dir, name), bytes.Repeat([]byte("x"), size), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	each := func() (names []string, err error) {
		err = Each(dir, ".json", func(name string, content []byte) error {
			names = append(names, name)
			return nil
		})
		return names, err
	}
	put("a.json", 1)
	put("b.json", MaxOwn)
	if names, err := each(); err != nil || strings.Join(names, " ") != "a b" {
		t.Errorf("%v, %v", names, err)
	}
	put("c.json", MaxOwn+1)
	if _, err := each(); err == nil || !strings.Contains(err.Error(), "c.json") {
		t.Errorf("too large: %v", err)
	}
	put("c.json", 1)
	put("d.txt", 1)
	if _, err := each(); err == nil || !strings.Contains(err.Error(), "d.txt") {
		t.Errorf("a stranger's: %v", err)
	}
}
