package planted

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const top = "../../.."

// The list is true: each defect can be put in, and the tests that must catch it are there.
func TestList(t *testing.T) {
	names := map[string]bool{}
	for i := range Defects {
		d := &Defects[i]
		if names[d.Name] || !regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`).MatchString(d.Name) {
			t.Errorf("%q is no name, or is there twice", d.Name)
		}
		names[d.Name] = true
		if d.What == "" || d.Promise < 0 || d.Promise > 7 || len(d.Caught) == 0 {
			t.Errorf("%s: it does not say what it does, or what must catch it", d.Name)
		}
		b, err := d.Apply(top)
		if err != nil {
			t.Error(err)
			continue
		}
		if _, err := parser.ParseFile(token.NewFileSet(), d.File, b, 0); err != nil {
			t.Errorf("%s: %v", d.Name, err)
		}
		for _, c := range d.Caught {
			if !hasTest(t, c) {
				t.Errorf("%s: there is no test %s", d.Name, c)
			}
		}
	}
	if len(Defects) < 40 {
		t.Errorf("%d defects are not enough", len(Defects))
	}
}

// hasTest tells whether the package has a test, or a fuzz target, that a check's pattern matches.
func hasTest(t *testing.T, c Check) bool {
	t.Helper()
	pattern, err := regexp.Compile(strings.Split(c.Run, "/")[0])
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(top, filepath.FromSlash(c.Package), "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, decl := range parsed.Decls {
			if f, ok := decl.(*ast.FuncDecl); ok && f.Recv == nil && (strings.HasPrefix(f.Name.Name, "Test") || strings.HasPrefix(f.Name.Name, "Fuzz")) && pattern.MatchString(f.Name.Name) {
				return true
			}
		}
	}
	return false
}

// runner makes one for a module with one function and its test.
func runner(t *testing.T, test string) *Runner {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{
		"go.mod":      "module sum\n\ngo 1.26\n",
		"sum.go":      "package sum\n\n// Add adds.\nfunc Add(a, b int) int { return a + b }\n",
		"sum_test.go": "package sum\n\nimport \"testing\"\n\nfunc TestAdd(t *testing.T) {\n" + test + "\n}\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := NewRunner(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// What a run tells of a defect: caught, not caught, or that the list is wrong.
func TestRun(t *testing.T) {
	sound := "if Add(2, 3) != 5 { t.Fatal(Add(2, 3)) }"
	for _, c := range []struct {
		name, test, old, new, run string
		by                        string
		err                       error
	}{
		{"caught", sound, "a + b", "a - b", "TestAdd", "TestAdd", nil},
		{"not caught", "if Add(2, 2) != 4 { t.Fatal(Add(2, 2)) }", "a + b", "a * b", "TestAdd", "", nil},
		{"caught by a panic", sound, "return a + b", "panic(a)", "TestAdd", "TestAdd", nil},
		{"does not stand there", sound, "a % b", "a - b", "TestAdd", "", ErrOld},
		{"stands there twice", sound, "a", "b", "TestAdd", "", ErrOld},
		{"does not build", sound, "a + b", "c", "TestAdd", "", ErrBuild},
		{"fails without it", "t.Fatal(Add(1, 1))", "a + b", "a - b", "TestAdd", "", ErrClean},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := runner(t, c.test)
			got, err := r.Run(context.Background(), &Defect{Name: "x", File: "sum.go", Old: c.old, New: c.new, Caught: []Check{{"", c.run}}})
			if !errors.Is(err, c.err) || strings.Join(got.By, " ") != c.by {
				t.Fatalf("%v, %v", got.By, err)
			}
		})
	}
	r := runner(t, sound)
	if got, err := r.Run(context.Background(), &Defect{Name: "x", File: "sum.go", Old: "a + b", New: "a - b", Caught: []Check{{"", "TestOther"}}}); err == nil {
		t.Fatalf("a test that is not there: %v", got.By)
	}
}
