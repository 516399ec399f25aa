package wire_test

import (
	"errors"
	"flag"
	"io/fs"
	"os"
	"testing"

	"ullage/events/wire"
)

var update = flag.Bool("update", false, "write the golden files that are missing, and the dictionary where it is")

const dictionaryFile = "dictionary.1"

// TestDictionaryIsMade makes the dictionary out of testdata/typical.ndjson, once.
func TestDictionaryIsMade(t *testing.T) {
	old, err := os.ReadFile(dictionaryFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	if len(old) > 2 || !*update {
		return
	}
	lines, err := os.ReadFile("testdata/typical.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	c := newCompany(t, false)
	c.lines("office-1", "typical.ndjson", lines)
	if err := os.WriteFile(dictionaryFile, wire.MakeDictionary(c.device("office-1").waiting), 0o666); err != nil {
		t.Fatal(err)
	}
}
