// Command ullage is the office's command line, and the demo.
package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"

	"ullage/cmd/internal/agentcli"
	"ullage/cmd/internal/demo"
	"ullage/cmd/internal/officecli"
	"ullage/cmd/internal/syncdcli"
)

func main() {
	// The demo starts this program again as a centre and as devices, so that one program is all it needs.
	switch as := os.Getenv(demo.AsVariable); as {
	case "syncd":
		demo.Child()
		os.Exit(syncdcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	case "agent":
		if len(os.Args) > 1 && os.Args[1] == "run" { // the others read their input themselves
			demo.Child()
		}
		os.Exit(agentcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
	os.Exit(officecli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr, demo.Command(office)))
}

// office runs an office command within this process.
func office(_ context.Context, stdin io.Reader, args ...string) ([]byte, error) {
	if stdin == nil {
		stdin = strings.NewReader("")
	}
	var out, words bytes.Buffer
	if officecli.Main(args, stdin, &out, &words) != 0 {
		return nil, errors.New(strings.TrimSpace(words.String()))
	}
	return out.Bytes(), nil
}
