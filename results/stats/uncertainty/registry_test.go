package uncertainty

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
	"Combine":                  {"TestCombineEndGauge", "published: JCGM 100 H.1; TestCombineSimultaneousReadings: H.2"},
	"Combined.EffectiveDOF":    {"TestCombineEndGauge", "published: JCGM 100 H.1"},
	"Combined.Expand":          {"TestCombineProduct", "published: JCGM 100 G.4.1; TestExpandCoverage"},
	"Expanded.MarshalJSON":     {"TestExpandedJSON", "derived: null for infinite dof"},
	"TypeA":                    {"TestTypeA", "published: JCGM 100 4.4.3"},
	"TypeB":                    {"TestTypeB", "published: JCGM 100 4.4.5 and 4.4.6"},
	"ReliabilityDOF":           {"TestReliabilityDOF", "published: JCGM 100 H.1"},
	"Propagate":                {"TestPropagateAdditiveModel", "published: JCGM 101 9.2, closed form"},
	"Sample.Symmetric":         {"TestPropagateAdditiveModel", "published: JCGM 101 9.2, closed form"},
	"Sample.Shortest":          {"TestShortestOfSkewed", "derived: closed form for the exponential"},
	"AtLeast":                  {"TestConformanceProbability", "published: JCGM 106 7.3.3"},
	"AtMost":                   {"TestAcceptance", "published: ISO 14253-1 rule, R"},
	"Tolerance.MarshalJSON":    {"TestToleranceJSON", "derived: null for no limit"},
	"ConformanceProbability":   {"TestConformanceProbability", "published: JCGM 106 7.3.3 and 7.4"},
	"Decide":                   {"TestDecide", "published: ISO 14253-1 rule, R"},
	"Decision.String":          {"TestDecide", "derived: each name"},
	"Acceptance":               {"TestAcceptance", "published: ISO 14253-1 rule, R"},
	"GlobalRisk":               {"TestGlobalRisk", "published: JCGM 106 9.5.4, R integrate; derived: Sheppard's closed form"},
	"GaugeANOVA":               {"TestGaugeANOVA", "published: AIAG MSA 4th ed."},
	"GaugeRange":               {"TestGaugeRange", "published: AIAG MSA 4th ed."},
	"Gauge.PercentOfTotal":     {"TestGaugeANOVA", "published: AIAG MSA 4th ed."},
	"Gauge.PercentOfTolerance": {"TestPercentOfTolerance", "derived: by hand"},
	"Gauge.Categories":         {"TestGaugeANOVA", "published: AIAG MSA 4th ed."},
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
