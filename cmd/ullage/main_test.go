package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"ullage/cmd/internal/agentcli"
	"ullage/cmd/internal/demo"
	"ullage/cmd/internal/syncdcli"
)

// The test binary is all three programs: by the name that a script calls it by, and, as the demo does it, by a variable.
func TestMain(m *testing.M) {
	if os.Getenv(demo.AsVariable) != "" {
		main()
	}
	// The race detector lets a process sleep for a second at its end. The demo starts a hundred.
	os.Setenv("GORACE", os.Getenv("GORACE")+" atexit_sleep_ms=10")
	testscript.Main(m, map[string]func(){
		"ullage":       main,
		"ullage-agent": func() { os.Exit(agentcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
		"ullage-syncd": func() { os.Exit(syncdcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// TestScripts runs testdata/script, one behaviour a file.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"await":  await,
			"count":  count,
			"field":  field,
			"fill":   fill,
			"image":  image,
			"number": number,
		},
	})
}

// await waits until a file is there.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: await FILE")
	}
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(ts.MkAbs(args[0])); !errors.Is(err, os.ErrNotExist) {
			ts.Check(err)
			return
		}
	}
	ts.Fatalf("%s is not there after 30 s", args[0])
}

// count counts the lines of a file: count N FILE.
func count(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: count N FILE")
	}
	got := fmt.Sprint(strings.Count(ts.ReadFile(args[1]), "\n"))
	if (got == args[0]) == neg {
		ts.Fatalf("%s has %s lines, want %s", args[1], got, args[0])
	}
}

// field sets a variable to a field of the first JSON line of a file that has it: field VARIABLE NAME FILE.
func field(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: field VARIABLE NAME FILE")
	}
	_, rest, ok := strings.Cut(ts.ReadFile(args[2]), `"`+args[1]+`":"`)
	if !ok {
		ts.Fatalf("%s has no text field %q", args[2], args[1])
	}
	value, _, _ := strings.Cut(rest, `"`)
	ts.Setenv(args[0], value)
}

// fill writes a file with ID replaced: fill TEMPLATE FILE ID.
func fill(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: fill TEMPLATE FILE ID")
	}
	filled := strings.ReplaceAll(ts.ReadFile(args[0]), "ID", args[2])
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(filled), 0o600))
}

// image copies a folder, as a backup or a cloned disk does: image FROM TO.
func image(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: image FROM TO")
	}
	ts.Check(os.CopyFS(ts.MkAbs(args[1]), os.DirFS(ts.MkAbs(args[0]))))
}

// number sets a variable to a number of the first JSON line of a file that has it: number VARIABLE NAME FILE.
func number(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: number VARIABLE NAME FILE")
	}
	_, rest, ok := strings.Cut(ts.ReadFile(args[2]), `"`+args[1]+`":`)
	value := rest[:len(rest)-len(strings.TrimLeft(rest, "0123456789"))]
	if !ok || value == "" {
		ts.Fatalf("%s has no number %q", args[2], args[1])
	}
	ts.Setenv(args[0], value)
}
