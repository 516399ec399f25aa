package command

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSecretFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p")
	for content, want := range map[string]string{
		"five small sheds\n": "five small sheds", "five\r\n": "five", " five ": " five ", "": "", "\n": "", "a\nb\n": "", "a\n\n": "", "a\rb": "",
		strings.Repeat("x", maxSecret): "", strings.Repeat("x", maxSecret-1) + "\n": strings.Repeat("x", maxSecret-1),
	} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		for name, in := range map[string]io.Reader{path: nil, "-": strings.NewReader(content)} {
			if got, err := SecretFile(name, in); string(got) != want || (err == nil) != (want != "") {
				t.Errorf("%.20q as %s: %.20q %v", content, name, got, err)
			}
		}
	}
	if _, err := SecretFile(path+"x", nil); err == nil {
		t.Error("a file that is not there is read")
	}
}
