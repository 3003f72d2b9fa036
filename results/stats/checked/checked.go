// Package checked holds a package to its word that every number it gives out
// is checked against something outside it.
package checked

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"
)

// Check says which test proves a function's numbers, and against what.
type Check [2]string

func (c Check) test() string    { return c[0] }
func (c Check) against() string { return c[1] }

// Functions fails the test unless checks lists every exported function and
// method (as Name or Type.Name) of the package in the working folder, each
// with a source and a test that exists, and no others.
func Functions(t *testing.T, checks map[string]Check) {
	t.Helper()
	exported, tests := map[string]bool{}, map[string]bool{}
	for _, f := range declarations(t, false) {
		if name := exportedName(f); name != "" {
			exported[name] = true
		}
	}
	for _, f := range declarations(t, true) {
		tests[f.Name.Name] = true
	}
	if len(exported) == 0 {
		t.Error("the package exports no function")
	}
	for name := range exported {
		if _, ok := checks[name]; !ok {
			t.Errorf("%s is exported and has no check", name)
		}
	}
	for name, c := range checks {
		switch {
		case !exported[name]:
			t.Errorf("%s has a check and is not in the package", name)
		case c.against() == "":
			t.Errorf("%s: its check names no source", name)
		case !tests[c.test()]:
			t.Errorf("%s: its check %q does not exist", name, c.test())
		}
	}
}

// declarations returns the functions of the package's test files, or of the
// others.
func declarations(t *testing.T, tests bool) []*ast.FuncDecl {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var list []*ast.FuncDecl
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") != tests {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok {
				list = append(list, f)
			}
		}
	}
	return list
}

// exportedName is the name of an exported function or Type.Method, or "".
func exportedName(f *ast.FuncDecl) string {
	if !f.Name.IsExported() {
		return ""
	}
	if f.Recv == nil {
		return f.Name.Name
	}
	e := f.Recv.List[0].Type
	if star, ok := e.(*ast.StarExpr); ok {
		e = star.X
	}
	if id, ok := e.(*ast.Ident); ok && id.IsExported() {
		return id.Name + "." + f.Name.Name
	}
	return ""
}
