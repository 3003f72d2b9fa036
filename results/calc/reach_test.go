package calc

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// statistics are the packages of which everything can be called.
var statistics = []string{"drench/results/stats", "drench/results/stats/dose", "drench/results/stats/uncertainty", "drench/results/sampling"}

// unreached lists what no entry calls, with the reason.
var unreached = map[string]string{}

// forms are methods that only put a value into another form.
var forms = map[string]bool{"String": true, "Error": true, "MarshalJSON": true, "MarshalText": true, "UnmarshalText": true}

// Every exported function and method of the statistics is called by an entry.
func TestEverythingIsReachable(t *testing.T) {
	info, imported := check(t)
	used := map[string]bool{}
	for _, o := range info.Uses {
		if f, ok := o.(*types.Func); ok {
			used[f.FullName()] = true
		}
	}
	for _, path := range statistics {
		pkg := imported(path)
		for _, f := range exported(pkg) {
			name := f.FullName()
			_, excused := unreached[name]
			switch {
			case used[name] && excused:
				t.Errorf("%s is called, and listed as not called", name)
			case !used[name] && !excused && !forms[f.Name()]:
				t.Errorf("%s is called by no entry; add one, or list it in unreached with the reason", name)
			}
		}
	}
}

// exported lists the exported functions of a package and the exported methods
// of its exported types.
func exported(pkg *types.Package) []*types.Func {
	var list []*types.Func
	for _, name := range pkg.Scope().Names() {
		switch o := pkg.Scope().Lookup(name).(type) {
		case *types.Func:
			if o.Exported() {
				list = append(list, o)
			}
		case *types.TypeName:
			methods := types.NewMethodSet(types.NewPointer(o.Type()))
			for i := range methods.Len() {
				f := methods.At(i).Obj().(*types.Func)
				if o.Exported() && f.Exported() && f.Pkg() == pkg {
					list = append(list, f)
				}
			}
		}
	}
	return list
}

// check type-checks this package without its tests.
func check(t *testing.T) (types.Info, func(path string) *types.Package) {
	t.Helper()
	fset := token.NewFileSet()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	imports := importer.ForCompiler(fset, "gc", exportData(t))
	info := types.Info{Uses: map[*ast.Ident]types.Object{}}
	if _, err := (&types.Config{Importer: imports}).Check("calc", fset, files, &info); err != nil {
		t.Fatal(err)
	}
	return info, func(path string) *types.Package {
		pkg, err := imports.Import(path)
		if err != nil {
			t.Fatal(err)
		}
		return pkg
	}
}

// exportData finds what the compiler left of the packages that this one
// imports.
func exportData(t *testing.T) importer.Lookup {
	t.Helper()
	out, err := exec.Command("go", "list", "-export", "-deps", "-f", "{{.ImportPath}} {{.Export}}", ".").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	files := map[string]string{}
	for _, line := range strings.Split(string(out), "\n") {
		path, file, _ := strings.Cut(line, " ")
		files[path] = file
	}
	return func(path string) (io.ReadCloser, error) { return os.Open(files[path]) }
}
