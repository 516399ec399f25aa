package wire_test

import (
	"errors"
	"flag"
	"io/fs"
	"os"
	"testing"

	"ullage/events/wire"
)

var update = flag.Bool("update", false, "write the golden files that are missing, and the dictionary if it is")

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

func TestSizeMeasure(t *testing.T) {
	for _, worked := range []bool{false, true} {
		n, size, stored := 0, 0, 0
		for _, p := range play(t, worked) {
			var list []byte
			for _, r := range p.records {
				list = wire.AppendPiece(list, r)
			}
			z := wire.Squeeze(list)
			back, err := wire.Expand(z, wire.MaxPlain)
			if err != nil {
				t.Fatal(err)
			}
			if string(back) != string(list) {
				t.Fatal("differs")
			}
			n += len(p.records)
			size += len(z)
			t.Logf("%s %d: %.1f", p.device, len(p.records), float64(len(z))/float64(len(p.records)))
		}
		_ = stored
		t.Logf("worked %v: %.2f", worked, float64(size)/float64(n))
	}
}
