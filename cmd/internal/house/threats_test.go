package house

import (
	"go/ast"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// named finds, in the cell of a row, the tests that it names.
var named = regexp.MustCompile("`([a-z0-9/]+): (Test[A-Za-z0-9_]+|Fuzz[A-Za-z0-9_]+)`")

// TestThreatsAreTried: each row of the threat model names tests, and they are there.
func TestThreatsAreTried(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "syncd/trust/THREATS.md"))
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	for _, f := range files(t) {
		for _, d := range f.ast.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && f.test && fn.Recv == nil {
				there[path.Dir(f.path)+": "+fn.Name.Name] = true
			}
		}
	}
	rows := 0
	for i, line := range strings.Split(string(text), "\n") {
		cells := strings.Split(strings.Trim(line, "|"), "|")
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(cells[0], " who, ") || strings.HasPrefix(cells[0], " ---") {
			continue
		}
		rows++
		if len(cells) != 4 {
			t.Errorf("THREATS.md:%d: %d columns, not 4", i+1, len(cells))
			continue
		}
		tests := named.FindAllStringSubmatch(cells[3], -1)
		if len(tests) == 0 || strings.Trim(named.ReplaceAllString(cells[3], ""), " ,") != "" {
			t.Errorf("THREATS.md:%d: the last column names no tests, or something else: %s", i+1, cells[3])
		}
		for _, m := range tests {
			if !there[m[1]+": "+m[2]] {
				t.Errorf("THREATS.md:%d: there is no %s in %s", i+1, m[2], m[1])
			}
		}
	}
	if rows < 20 {
		t.Errorf("%d rows: the search is wrong", rows)
	}
}
