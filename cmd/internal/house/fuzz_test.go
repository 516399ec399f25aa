package house

import (
	"go/ast"
	"path"
	"slices"
	"strings"
	"testing"
)

// unfuzzed are functions that look like decoders of bytes from outside and that no fuzz target reaches, each with the
// reason why none must.
var unfuzzed = map[string]string{
	"cmd/internal/command.readLine":      "a line that somebody types, of bounded length, is taken as it is",
	"cmd/internal/demo.read":             "the scenario is part of the program",
	"cmd/internal/officecli.readCA":      "hands a file that the caller names to the standard library",
	"cmd/internal/officecli.readDossier": "reads a file of bounded length into memory; what reads its content is fuzzed",
	"cmd/internal/officecli.readToken":   "a file that the caller names; it is sent as it is, or refused for its form",
	"syncd/trust/people.UnmarshalText":   "hands the name of a role to ParseRole, which is fuzzed",
	"agent/journal/disk.ReadDir":         "lists a folder; what reads its files is fuzzed",
	"agent/journal/disk/frail.ReadAt":    "hands on bytes of a file in memory, and reads nothing out of them",
	"agent/journal/disk/frail.ReadDir":   "lists a folder in memory",
	"syncd/trust/disk.readOwn":           "reads a file of ours, of bounded length, into memory; what reads its content is fuzzed",
}

// decl is something at the top of a package, and what it mentions.
type decl struct {
	fn    *ast.FuncDecl // nil: a variable
	test  bool
	names []string // of what it mentions, as keys of declarations
}

// declarations are all that is declared at the top of our packages, by folder and name. Of what is called only the name
// is looked at, and within the package alone (whose own tests are in it, whatever they call themselves): enough to see
// that somebody thought of a decoder where it stands.
func declarations(t *testing.T) map[string][]decl {
	all := map[string][]decl{}
	for _, f := range files(t) {
		dir := path.Dir(f.path)
		add := func(name string, fn *ast.FuncDecl, in ast.Node) {
			d := decl{fn: fn, test: f.test}
			ast.Inspect(in, func(n ast.Node) bool {
				if id, ok := n.(*ast.Ident); ok {
					d.names = append(d.names, dir+"."+id.Name)
				}
				return true
			})
			all[dir+"."+name] = append(all[dir+"."+name], d)
		}
		for _, x := range f.ast.Decls {
			switch x := x.(type) {
			case *ast.FuncDecl:
				if x.Body != nil {
					add(x.Name.Name, x, x.Body)
				}
			case *ast.GenDecl:
				for _, s := range x.Specs {
					if v, ok := s.(*ast.ValueSpec); ok {
						for _, n := range v.Names {
							add(n.Name, nil, v)
						}
					}
				}
			}
		}
	}
	return all
}

// decodes tells whether a function takes bytes, by its name and its parameters.
func decodes(fn *ast.FuncDecl) bool {
	name := strings.ToLower(fn.Name.Name)
	if fn.Recv != nil && fn.Name.Name == "Read" { // an io.Reader's own
		return false
	}
	if !slices.ContainsFunc([]string{"decode", "parse", "read", "unmarshal", "unfold"}, func(p string) bool { return strings.HasPrefix(name, p) }) {
		return false
	}
	return slices.ContainsFunc(fn.Type.Params.List, func(p *ast.Field) bool {
		switch x := p.Type.(type) {
		case *ast.Ident:
			return x.Name == "string"
		case *ast.ArrayType:
			of, ok := x.Elt.(*ast.Ident)
			return ok && x.Len == nil && of.Name == "byte"
		case *ast.SelectorExpr:
			return x.Sel.Name == "Reader" || x.Sel.Name == "ReaderAt"
		}
		return false
	})
}

// TestDecodersAreFuzzed: whatever reads bytes from outside is reached from a fuzz target of its package.
func TestDecodersAreFuzzed(t *testing.T) {
	all := declarations(t)
	reached := map[string]bool{}
	var reach func(name string)
	reach = func(name string) {
		if reached[name] {
			return
		}
		reached[name] = true
		for _, d := range all[name] {
			for _, n := range d.names {
				reach(n)
			}
		}
	}
	targets, decoders := 0, 0
	for name, list := range all {
		for _, d := range list {
			if _, fn, _ := strings.Cut(name, "."); d.test && d.fn != nil && strings.HasPrefix(fn, "Fuzz") {
				targets++
				reach(name)
			}
		}
	}
	for name, list := range all {
		for _, d := range list {
			if d.test || d.fn == nil || !decodes(d.fn) {
				continue
			}
			decoders++
			why, excused := unfuzzed[name]
			switch {
			case !reached[name] && !excused:
				t.Errorf("%s reads bytes, and no fuzz target reaches it", name)
			case reached[name] && excused:
				t.Errorf("%s is fuzzed; it need not be excused: %s", name, why)
			}
		}
	}
	for name := range unfuzzed {
		if len(all[name]) == 0 {
			t.Errorf("%s is excused, and is not there any more", name)
		}
	}
	if targets < 20 || decoders < 40 {
		t.Errorf("%d fuzz targets and %d decoders: the search is wrong", targets, decoders)
	}
	t.Logf("%d fuzz targets, %d decoders, %d excused", targets, decoders, len(unfuzzed))
}
