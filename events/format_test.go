package events_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/events"
)

const formatFile = "FORMAT.md"

// formatTable lists the fields of every kind and version as the appendix of FORMAT.md has them.
func formatTable() string {
	var s strings.Builder
	s.WriteString("| kind | v | fields |\n| --- | --- | --- |\n")
	for _, k := range events.Schemas() {
		fmt.Fprintf(&s, "| %s | %d | %s |\n", k.Kind, k.V, formatFields(k))
	}
	return s.String()
}

func formatFields(s *events.Schema) string {
	var fields []string
	for _, f := range s.Fields {
		var form string
		switch f.Type {
		case events.TypeObject:
			form = "{" + formatFields(f.Of) + "}"
		case events.TypeDigest:
			form = "digest"
			if f.Bare {
				form = "hash"
			}
		case events.TypeInt:
			form = "whole"
			if strings.HasSuffix(f.Name, "seq") || s.Kind == "range.lost" || s.Kind == "range.healed" {
				form = "number"
			}
		default:
			form = map[events.Type]string{
				events.TypeString: "short", events.TypeText: "text", events.TypeWord: "word", events.TypeCode: "code", events.TypeWhen: "when", events.TypeFloat: "fraction",
				events.TypeBool: "truth", events.TypeVisit: "visit", events.TypeRaw: "body", events.TypeTarget: "target", events.TypeBytes: "bytes",
			}[f.Type]
		}
		if f.List {
			form = "[" + form + "]"
		}
		if f.Need {
			form += "!"
		}
		fields = append(fields, f.Name+" "+form)
	}
	return strings.Join(fields, ", ")
}

// TestFormatTable holds the appendix of FORMAT.md to the code; with -update it writes the appendix.
func TestFormatTable(t *testing.T) {
	text, err := os.ReadFile(formatFile)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(text, []byte("| kind | v | fields |\n"))
	if at < 0 {
		t.Fatal("the appendix has no table")
	}
	want := formatTable()
	if string(text[at:]) == want {
		return
	}
	if !*update {
		t.Fatalf("the appendix is not what the code has (run the tests of this package with -update); want:\n%s", want)
	}
	if err := os.WriteFile(formatFile, append(text[:at:at], want...), 0o666); err != nil {
		t.Fatal(err)
	}
}

// TestFormatExample holds the example of FORMAT.md to the golden chain: its bytes and its hashes.
func TestFormatExample(t *testing.T) {
	text, err := os.ReadFile(formatFile)
	if err != nil {
		t.Fatal(err)
	}
	_, example, ok := strings.Cut(string(text), "## 8. ")
	example, _, ok2 := strings.Cut(example, "\n## ")
	if !ok || !ok2 {
		t.Fatal("there is no section 8")
	}
	var record strings.Builder
	for line := range strings.Lines(example) {
		// Lines of the example are indented: bytes, two spaces or more, what they are.
		if digits, ok := strings.CutPrefix(line, "    "); ok {
			digits, _, _ = strings.Cut(digits, "  ")
			record.WriteString(strings.ReplaceAll(strings.TrimSpace(digits), " ", ""))
		}
	}
	chain, err := os.ReadFile(filepath.Join(goldenDir, "chain.golden"))
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(chain), "\n\n")
	if got, want := record.String(), strings.Join(strings.Fields(blocks[1]), ""); got != want {
		t.Errorf("the example is\n%s, want\n%s", got, want)
	}
	header, _ := parseGolden(t, blocks[0]+"\n\n")
	for _, name := range []string{"link 0", "hash 1", "link 1"} {
		if !strings.Contains(example, header[name]) {
			t.Errorf("%s, %s, does not stand in the example", name, header[name])
		}
	}
}
