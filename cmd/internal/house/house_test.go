package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const root = "../../.."

// file is one Go file of the project.
type file struct {
	path    string // from the root, with slashes
	test    bool
	imports []string
	ast     *ast.File
}

func files(t *testing.T) []file {
	t.Helper()
	var all []file
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		x := file{path: filepath.ToSlash(rel), test: strings.HasSuffix(path, "_test.go"), ast: f}
		for _, i := range f.Imports {
			x.imports = append(x.imports, strings.Trim(i.Path.Value, `"`))
		}
		all = append(all, x)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 50 {
		t.Fatalf("only %d files found: the walk is wrong", len(all))
	}
	return all
}

// floors say which of the house's folders the files of a folder may import. The longest prefix rules.
var floors = map[string][]string{
	"events":      {"events"},
	"projections": {"projections", "events"},
	"agent":       {"agent", "projections", "events"},
	"syncd":       {"syncd", "projections", "events"},
	"cmd":         {"cmd", "agent", "syncd", "projections", "events", "testdata"},
	"testdata":    {},
}

// below names, for each floor, what of it may not import what else of it.
var below = []struct{ from, to string }{
	{"events/pack", "events"},
	{"events/unit", "events"},
	{"events/wire", "events/entry"},
	{"events/entry", "events/wire"},
	{"projections/handbook", "projections/"},
	{"agent/journal", "agent/"},
	{"agent/evidence", "agent/"},
	{"agent/page", "agent/"},
	{"syncd/store", "syncd/gate"}, {"syncd/store", "syncd/office"}, {"syncd/store", "syncd/trust"}, {"syncd/store", "syncd/broker"},
	{"syncd/gate", "syncd/store"}, {"syncd/gate", "syncd/office"}, {"syncd/gate", "syncd/trust"}, {"syncd/gate", "syncd/broker"},
	{"syncd/trust", "syncd/store"}, {"syncd/trust", "syncd/office"}, {"syncd/trust", "syncd/gate"}, {"syncd/trust", "syncd/broker"},
}

func floor(path string) string {
	top, _, _ := strings.Cut(path, "/")
	return top
}

// forbidden says why a file of the house may not import what it does; empty where it may. It is a function of its own
// so that the test of the test can give it bad imports.
func forbidden(path string, test bool, imported string) string {
	own, inHouse := strings.CutPrefix(imported, "ullage/")
	from := floor(path)
	if !inHouse {
		if test {
			return ""
		}
		switch {
		case imported == "modernc.org/sqlite" || imported == "database/sql":
			if !strings.HasPrefix(path, "syncd/store/") {
				return "only syncd/store speaks to SQLite"
			}
		case strings.HasPrefix(imported, "github.com/nats-io/") && (from == "events" || from == "projections"):
			return "the pure floors know no network"
		case strings.HasPrefix(imported, "github.com/nats-io/nats-server") && from != "syncd":
			return "only the centre embeds the server"
		}
		return ""
	}
	if test && floor(own) == "testdata" {
		return ""
	}
	if !slices.Contains(floors[from], floor(own)) {
		return "imports go down only: " + from + " may import " + strings.Join(floors[from], ", ")
	}
	if test {
		return ""
	}
	for _, b := range below {
		if strings.HasPrefix(path, b.from+"/") && (own == strings.TrimSuffix(b.to, "/") || strings.HasPrefix(own, b.to+"/") || strings.HasSuffix(b.to, "/") && strings.HasPrefix(own, b.to)) && !strings.HasPrefix(own+"/", b.from+"/") {
			return b.from + " does not rest on " + b.to
		}
	}
	return ""
}

func TestImportsGoDown(t *testing.T) {
	for _, f := range files(t) {
		for _, i := range f.imports {
			if why := forbidden(f.path, f.test, i); why != "" {
				t.Errorf("%s imports %s: %s", f.path, i, why)
			}
		}
	}
}

// TestTop: the house has its folders at the top, and no others.
func TestTop(t *testing.T) {
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		_, known := floors[e.Name()]
		if e.IsDir() && !known && !strings.HasPrefix(e.Name(), ".") && e.Name() != "bin" {
			t.Errorf("%s/ is at the top, and none of %s", e.Name(), strings.Join(slices.Sorted(maps.Keys(floors)), ", "))
		}
	}
}

// What pure files may not import, and not call.
var (
	impure      = []string{"net", "net/http", "os", "os/exec", "os/signal", "syscall", "database/sql", "crypto/rand", "math/rand", "math/rand/v2", "log", "log/slog", "io/ioutil", "path/filepath"}
	impureCalls = []string{"time.Now", "time.Sleep", "time.Since", "time.Until", "time.After", "time.Tick", "time.NewTimer", "time.NewTicker", "time.AfterFunc", "time.LoadLocation"}
)

// impurities lists what a file does that a pure one may not.
func impurities(f *ast.File) []string {
	var found []string
	names := map[string]string{} // what an import is called here
	for _, i := range f.Imports {
		path := strings.Trim(i.Path.Value, `"`)
		if slices.Contains(impure, path) {
			found = append(found, "imports "+path)
		}
		name := path[strings.LastIndex(path, "/")+1:]
		if i.Name != nil {
			name = i.Name.Name
		}
		if name == "." {
			found = append(found, "imports "+path+" without a name, which hides what it uses")
		}
		names[name] = path
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			found = append(found, "starts a goroutine")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && slices.Contains(impureCalls, names[x.Name]+"."+n.Sel.Name) {
				found = append(found, "uses "+names[x.Name]+"."+n.Sel.Name)
			}
		}
		return true
	})
	return found
}

func TestPureFloors(t *testing.T) {
	for _, f := range files(t) {
		if f.test || floor(f.path) != "events" && floor(f.path) != "projections" {
			continue
		}
		for _, what := range impurities(f.ast) {
			t.Errorf("%s %s", f.path, what)
		}
	}
}

// TestDeviceBinary looks at everything that is linked into the device's program.
func TestDeviceBinary(t *testing.T) {
	deps := linked(t, "ullage/cmd/ullage-agent")
	for _, d := range deps {
		for _, no := range []string{"github.com/nats-io/nats-server", "modernc.org/", "codeberg.org/go-pdf", "database/sql", "ullage/syncd"} {
			if strings.HasPrefix(d, no) {
				t.Errorf("the device's binary links %s", d)
			}
		}
	}
	if !slices.Contains(deps, "ullage/agent") {
		t.Error("the device's binary does not link the agent: the list is wrong")
	}
	// The list would show it: the centre's program has both.
	centre := strings.Join(linked(t, "ullage/cmd/ullage-syncd"), "\n")
	for _, has := range []string{"github.com/nats-io/nats-server", "modernc.org/sqlite"} {
		if !strings.Contains(centre, has) {
			t.Errorf("the centre's binary does not link %s: the list is wrong", has)
		}
	}
}

func linked(t *testing.T, pkg string) []string {
	t.Helper()
	out, err := exec.Command("go", "list", "-deps", pkg).Output()
	if err != nil {
		t.Fatalf("go list -deps %s: %v", pkg, err)
	}
	return strings.Fields(string(out))
}

// TestTheTests gives the rules what they must refuse.
func TestTheTests(t *testing.T) {
	for _, c := range []struct{ path, imported string }{
		{"agent/uplink.go", "ullage/syncd/gate"},
		{"syncd/gate/gate.go", "ullage/agent/journal"},
		{"events/record.go", "ullage/projections"},
		{"projections/machine/fold.go", "ullage/agent"},
		{"projections/machine/fold.go", "ullage/syncd/store"},
		{"agent/status.go", "modernc.org/sqlite"},
		{"syncd/office/api.go", "database/sql"},
		{"agent/loop.go", "github.com/nats-io/nats-server/v2/server"},
		{"events/wire/push.go", "github.com/nats-io/nats.go"},
		{"events/pack/pack.go", "ullage/events"},
		{"syncd/gate/gate.go", "ullage/syncd/store"},
	} {
		if forbidden(c.path, false, c.imported) == "" {
			t.Errorf("%s may import %s", c.path, c.imported)
		}
	}
	for _, c := range []struct{ path, imported string }{
		{"agent/uplink.go", "ullage/events/wire"}, {"agent/uplink.go", "ullage/agent/journal"}, {"syncd/centre.go", "ullage/syncd/gate"},
		{"syncd/store/store.go", "database/sql"}, {"agent/journal/os.go", "os"}, {"agent/journal/x.go", "ullage/events/pack"},
	} {
		if why := forbidden(c.path, false, c.imported); why != "" {
			t.Errorf("%s may not import %s: %s", c.path, c.imported, why)
		}
	}
	for _, src := range []string{
		`import "os"`, `import "crypto/rand"`, `import "net/http"`,
		`import "time"; var x = time.Now()`, `import clock "time"; var x = clock.Now()`, `import . "strings"; var x = ToUpper("")`, `import "time"; func f() { time.Sleep(1) }`, `func f() { go f() }`,
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "x.go", fmt.Sprintf("package x\n%s\n", src), 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(impurities(f)) == 0 {
			t.Errorf("this passes as pure: %s", src)
		}
	}
}
