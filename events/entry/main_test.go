package entry

import (
	"flag"
	"os"
	"testing"
)

func TestMain(m *testing.M) {
	// A failure is reproduced by its seed; no files are left in the tree.
	if err := flag.Set("rapid.nofailfile", "true"); err != nil {
		panic(err)
	}
	if err := flag.Set("rapid.checks", "25"); err != nil { // of each kind; the command line says otherwise
		panic(err)
	}
	flag.Parse()
	os.Exit(m.Run())
}
