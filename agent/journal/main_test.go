package journal

import (
	"flag"
	"os"
	"testing"

	"go.uber.org/goleak"
)

// childDir makes the test binary the process that is killed, or the one that holds a lock.
const childDir, childMode = "ULLAGE_JOURNAL_CHILD", "ULLAGE_JOURNAL_MODE"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		os.Exit(child(dir, os.Getenv(childMode)))
	}
	flag.Parse()
	goleak.VerifyTestMain(m)
}
