package store

import (
	"os"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		writeUntilKilled(dir)
		return
	}
	goleak.VerifyTestMain(m)
}
