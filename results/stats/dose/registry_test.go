package dose

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"
	"testing"
)

// registry says, for each exported function and method, which test checks its
// numbers and against what.
var registry = map[string]struct{ test, against string }{
	"MaxLikelihood":         {"TestMaxLikelihoodBliss", "published: Bliss (1935), R glm"},
	"Firth":                 {"TestFirthLogit", "published method (Firth 1993), R"},
	"Regress":               {"TestRegressFallsBack", "derived: equals MaxLikelihood or Firth; R glm"},
	"DixonMood":             {"TestDixonMood", "published formulas (Dixon & Mood 1948), by hand; R probit fit"},
	"ParseLink":             {"TestParseLink", "derived: reads back every name"},
	"Fit.POD":               {"TestPODFittedCounts", "published: Bliss (1935), R fitted"},
	"Fit.GoodnessOfFit":     {"TestMaxLikelihoodBliss", "published: Bliss (1935), R pchisq"},
	"Fit.Quantile":          {"TestDoseIntervalsBliss", "published: Bliss (1935), R"},
	"Fit.Delta":             {"TestDoseIntervalsBliss", "published: Bliss (1935), R; TestCoverage"},
	"Fit.Fieller":           {"TestDoseIntervalsBliss", "published: Bliss (1935), R; TestCoverage"},
	"Fit.LikelihoodRatio":   {"TestDoseIntervalsBliss", "published: Bliss (1935), R; TestFirthAllLinks; TestCoverage"},
	"Fit.A9095":             {"TestA9095Bliss", "published: Bliss (1935), R; TestCoverage"},
	"Fit.ProfileSlope":      {"TestProfileSlope", "published: Bliss (1935), R confint; TestCoverage"},
	"Staircase.SD":          {"TestDixonMood", "published formula (Dixon & Mood 1948), by hand"},
	"Interval.MarshalJSON":  {"TestIntervalJSON", "derived: null for an infinite end"},
	"Link.String":           {"TestParseLink", "derived: read back"},
	"Separation.String":     {"TestSeparationIsSaidAndNotPrinted", "derived: named in the error"},
	"SeparationError.Error": {"TestSeparationIsSaidAndNotPrinted", "derived: names the kind"},
}

func TestRegistry(t *testing.T) {
	exported, tests := functions(t)
	for name := range exported {
		if _, ok := registry[name]; !ok {
			t.Errorf("%s is exported and has no check in the registry", name)
		}
	}
	for name, check := range registry {
		if !exported[name] {
			t.Errorf("%s is in the registry and not in the package", name)
		}
		if !tests[check.test] || check.against == "" {
			t.Errorf("%s: no test %q, against %q", name, check.test, check.against)
		}
	}
}

// functions parses the package: its exported functions, as Name or
// Type.Name, and its tests.
func functions(t *testing.T) (exported, tests map[string]bool) {
	t.Helper()
	exported, tests = map[string]bool{}, map[string]bool{}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if !strings.HasSuffix(file.Name(), ".go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range parsed.Decls {
			f, ok := d.(*ast.FuncDecl)
			switch {
			case !ok:
			case strings.HasSuffix(file.Name(), "_test.go"):
				tests[f.Name.Name] = true
			case f.Name.IsExported() && (f.Recv == nil || ast.IsExported(receiver(f))):
				exported[strings.TrimPrefix(receiver(f)+"."+f.Name.Name, ".")] = true
			}
		}
	}
	return exported, tests
}

// receiver is the name of the type a method is on, or "" for a function.
func receiver(f *ast.FuncDecl) string {
	if f.Recv == nil {
		return ""
	}
	e := f.Recv.List[0].Type
	if star, ok := e.(*ast.StarExpr); ok {
		e = star.X
	}
	return e.(*ast.Ident).Name
}
