package desk

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"ullage/agent/evidence"
)

// TestDamagedEvidence: a piece that is damaged on the disk is not held any more; reading it is no error, so that the
// records that name it can be shown.
func TestDamagedEvidence(t *testing.T) {
	dir := t.TempDir()
	folder, err := evidence.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	p := pieces{folder, slog.New(slog.DiscardHandler)}
	digest, err := p.Keep([]byte("Quay shed"))
	if err != nil {
		t.Fatal(err)
	}
	if plain, ok, err := p.Text(digest); string(plain) != "Quay shed" || !ok || err != nil {
		t.Fatalf("got %q, %v, %v", plain, ok, err)
	}
	damaged := 0
	err = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil || len(b) == 0 {
			return err
		}
		b[len(b)/2] ^= 1
		damaged++
		return os.WriteFile(path, b, 0o600)
	})
	if err != nil || damaged == 0 {
		t.Fatalf("%d files damaged, %v", damaged, err)
	}
	if plain, ok, err := p.Text(digest); ok || err != nil {
		t.Errorf("damaged: got %q, %v, %v; want one that is not held", plain, ok, err)
	}
}
