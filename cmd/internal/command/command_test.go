package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// tool is a command line with one of each.
func tool() *cobra.Command {
	root := &cobra.Command{Use: "tool", Short: "does"}
	add := func(use string, args cobra.PositionalArgs, run func(c *cobra.Command, args []string) error) *cobra.Command {
		c := &cobra.Command{Use: use, Short: "does", Args: args, RunE: run}
		root.AddCommand(c)
		return c
	}
	add("fine [WHAT]", Args(0, 1), func(c *cobra.Command, args []string) error {
		_, err := fmt.Fprintln(c.OutOrStdout(), "data", args)
		return err
	}).Flags().Int("count", 1, "so many")
	add("bad", Args(0, 0), func(*cobra.Command, []string) error { return errors.New("the disk is full") })
	add("silent", Args(0, 0), func(*cobra.Command, []string) error { return fmt.Errorf("x: %w", ErrSilent) })
	add("wrong", Args(0, 0), func(*cobra.Command, []string) error { return fmt.Errorf("so: %w", Wrong("no %s", "way")) })
	add("away", Args(0, 0), func(c *cobra.Command, _ []string) error { return context.Canceled })
	needs := add("needs", Args(0, 0), func(*cobra.Command, []string) error { return errors.New("it began") })
	needs.Flags().String("name", "", "whose")
	if err := needs.MarkFlagRequired("name"); err != nil {
		panic(err)
	}
	return root
}

func TestExitStatus(t *testing.T) {
	for _, x := range []struct {
		args   string
		status int
		out    string
		err    string // empty: nothing may be said
	}{
		{"fine", Done, "data []\n", ""},
		{"fine one", Done, "data [one]\n", ""},
		{"fine --count 2 one", Done, "data [one]\n", ""},
		{"--help", Done, "Available Commands", ""},
		{"fine --help", Done, "--count", ""},
		{"help fine", Done, "--count", ""},
		{"completion bash", Done, "tool", ""},
		{"bad", Failed, "", "tool: the disk is full\n"},
		{"silent", Failed, "", ""},
		{"away", Failed, "", "tool: context canceled\n"}, // nobody has interrupted it
		{"needs --name x", Failed, "", "tool: it began\n"},
		{"wrong", Usage, "", "tool: so: no way\ntool wrong --help tells how it is used.\n"},
		{"", Usage, "Available Commands", "say what to do"},
		{"nothing", Usage, "", `there is no command "nothing"`},
		{"fine one two", Usage, "", "tool fine [WHAT]"},
		{"bad x", Usage, "", "usage: tool bad"},
		{"fine --cuont 2", Usage, "", "--cuont"},
		{"fine --count two", Usage, "", "two"},
		{"needs", Usage, "", `"name" not set`},
		{"completion bash more", Usage, "", "more"},
	} {
		var out, words bytes.Buffer
		status := Run(tool(), strings.Fields(x.args), strings.NewReader(""), &out, &words)
		if status != x.status || !strings.Contains(out.String(), x.out) || x.out == "" && out.Len() > 0 {
			t.Errorf("%q: status %d, stdout %q", x.args, status, out.String())
		}
		if !strings.Contains(words.String(), x.err) || x.err == "" && words.Len() > 0 {
			t.Errorf("%q: stderr %q", x.args, words.String())
		}
		if status == Usage && !strings.Contains(words.String(), "--help tells how it is used.") {
			t.Errorf("%q does not say where help is: %q", x.args, words.String())
		}
	}
}

func TestInput(t *testing.T) {
	file := filepath.Join(t.TempDir(), "lines")
	if err := os.WriteFile(file, []byte("of the file"), 0o600); err != nil {
		t.Fatal(err)
	}
	for want, args := range map[string][]string{"of stdin": {"-"}, "of the file": {file}} {
		in, err := Input(args, strings.NewReader("of stdin"))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := io.ReadAll(in); err != nil || string(got) != want || in.Close() != nil {
			t.Errorf("%v: %q %v", args, got, err)
		}
	}
	if in, err := Input(nil, strings.NewReader("of stdin")); err != nil {
		t.Error(err)
	} else if got, _ := io.ReadAll(in); string(got) != "of stdin" {
		t.Errorf("no argument: %q", got)
	}
	if _, err := Input([]string{file + "-not"}, nil); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), file) {
		t.Errorf("%v", err)
	}
}

// TestProgress is silent where nobody watches.
func TestProgress(t *testing.T) {
	var b bytes.Buffer
	p := NewProgress(&b, "records")
	p.shown = p.shown.AddDate(0, 0, -1)
	p.Step(1, 2)
	p.End()
	if b.Len() > 0 {
		t.Errorf("%q", b.String())
	}
	p = &Progress{w: &b, what: "records"}
	p.Step(1, 2)
	p.Step(2, 2) // too soon
	p.End()
	if b.String() != "\rrecords: 1 of 2 \r\033[K" {
		t.Errorf("%q", b.String())
	}
}
