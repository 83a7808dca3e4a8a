// Package mapping_test holds the import directions of the core, and its purity.
package mapping_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// mayImport is the table of DEVELOPERS.md: for each room, the rooms below it.
var mayImport = map[string][]string{
	"implant":  {},
	"udi":      {},
	"svg":      {},
	"survival": {"svg"},
	"identity": {},
	"codes":    {"implant"},
	"history":  {"implant"},
	"opnote":   {"implant", "codes", "udi"},
	"intake":   {"implant", "codes", "udi", "opnote"},
	"mri":      {"implant", "codes"},
	"banner":   {"implant", "mri"},
	"registry": {"implant", "codes", "survival", "svg"},
	"trace":    {"implant"},
}

// impure are packages whose import would bring a clock, the outside world or chance into the core.
var impure = []string{"os", "os/exec", "net", "net/http", "database/sql", "log", "log/slog", "math/rand", "math/rand/v2",
	"crypto/rand", "io/ioutil", "syscall", "runtime", "sync", "sync/atomic", "go.uber.org/zap", "github.com/nats-io/"}

// protosFor are the rooms that may know FHIR's generated types.
var protosFor = []string{"intake", "banner"}

func sources(t *testing.T, visit func(room, path string, f *ast.File, fset *token.FileSet)) {
	t.Helper()
	rooms := map[string]bool{}
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		room, _, ok := strings.Cut(filepath.ToSlash(path), "/")
		if !ok {
			return nil
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, path, nil, 0)
		if err == nil {
			rooms[room] = true
			visit(room, path, f, fset)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for room := range rooms {
		if _, ok := mayImport[room]; !ok {
			t.Errorf("room %s is not in the table of allowed imports", room)
		}
	}
}

func TestArrowsPointDown(t *testing.T) {
	sources(t, func(room, path string, f *ast.File, _ *token.FileSet) {
		for _, spec := range f.Imports {
			imp := strings.Trim(spec.Path.Value, `"`)
			if below, ok := strings.CutPrefix(imp, "gaussline/mapping/"); ok {
				if !slices.Contains(mayImport[room], below) && below != room && !strings.HasPrefix(below, room+"/") {
					t.Errorf("%s imports %s: %s may import only %v", path, imp, room, mayImport[room])
				}
			} else if strings.HasPrefix(imp, "gaussline/") && imp != "gaussline/schemas" {
				t.Errorf("%s imports %s: the core knows no edge", path, imp)
			}
			for _, bad := range impure {
				if imp == bad || strings.HasSuffix(bad, "/") && strings.HasPrefix(imp, bad) {
					t.Errorf("%s imports %s: the core takes values and gives values", path, imp)
				}
			}
			if strings.Contains(imp, "google/fhir") && !slices.Contains(protosFor, room) {
				t.Errorf("%s imports FHIR protos: they cost minutes to compile and belong to %v", path, protosFor)
			}
		}
	})
}

func TestCoreIsPure(t *testing.T) {
	sources(t, func(_, path string, f *ast.File, fset *token.FileSet) {
		vars := packageVars(f)
		ast.Inspect(f, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: a goroutine in the core", fset.Position(x.Pos()))
			case *ast.SelectorExpr:
				if id, ok := x.X.(*ast.Ident); ok && id.Name == "time" && (x.Sel.Name == "Now" || x.Sel.Name == "Since" || x.Sel.Name == "Sleep") {
					t.Errorf("%s: time.%s in the core: take the time as a value", fset.Position(x.Pos()), x.Sel.Name)
				}
			case *ast.AssignStmt:
				for _, l := range x.Lhs {
					if v := written(l); x.Tok == token.ASSIGN && vars[v] && v != "" {
						t.Errorf("%s: package variable %s is written", fset.Position(x.Pos()), v)
					}
				}
			}
			return true
		})
	})
}

// packageVars names the variables declared at package level in a file that no local name hides.
func packageVars(f *ast.File) map[string]bool {
	vars := map[string]bool{}
	for _, d := range f.Decls {
		if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.VAR {
			for _, s := range g.Specs {
				for _, n := range s.(*ast.ValueSpec).Names {
					vars[n.Name] = true
				}
			}
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if a, ok := n.(*ast.AssignStmt); ok && a.Tok == token.DEFINE {
			for _, l := range a.Lhs {
				if id, ok := l.(*ast.Ident); ok {
					delete(vars, id.Name)
				}
			}
		}
		return true
	})
	return vars
}

// written names the variable at the bottom of an assigned expression: m of m[k], x of x.f.
func written(e ast.Expr) string {
	for {
		switch x := e.(type) {
		case *ast.Ident:
			return x.Name
		case *ast.IndexExpr:
			e = x.X
		case *ast.SelectorExpr:
			e = x.X
		case *ast.StarExpr:
			e = x.X
		default:
			return ""
		}
	}
}
