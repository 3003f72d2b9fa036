package sampling

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
	"CodeLetter":             {"TestCodeLetter", "published: MIL-STD-105E table I"},
	"Select":                 {"TestSelect", "published: MIL-STD-105E tables II-A to II-C; TestTablesFollowDiagonals"},
	"AQLs":                   {"TestSelectIsTotal", "published: MIL-STD-105E tables II"},
	"ParseSeverity":          {"TestSeverityText", "derived: reads back every name"},
	"Severity.String":        {"TestSeverityText", "derived: reads back every name"},
	"Severity.MarshalText":   {"TestSeverityText", "derived: reads back every name"},
	"Severity.UnmarshalText": {"TestSeverityText", "derived: reads back every name"},
	"Plan.Accepts":           {"TestOCBetweenAcAndRe", "derived: by hand"},
	"Plan.OC":                {"TestOC", "R pbinom, ppois; TestOCIsMonotone"},
	"Plan.QualityAt":         {"TestOC", "R qbeta; TestQualityAtPoisson"},
	"Plan.OCLot":             {"TestOCLot", "R phyper; TestHypergeometricSymmetry"},
	"Plan.AOQ":               {"TestRectifyingInspection", "derived: by hand from R pbinom"},
	"Plan.AOQL":              {"TestAOQL", "published: Dodge & Romig's factors, MIL-STD-105E table V-A; closed form; R optimize"},
	"Plan.ATI":               {"TestRectifyingInspection", "derived: by hand from R pbinom"},
	"Plan.ASN":               {"TestASN", "R sum of pbinom; closed form for Ac 0"},
	"ZeroAcceptance":         {"TestZeroAcceptance", "R; TestZeroAcceptanceIsSmallest"},
	"ZeroAcceptanceLot":      {"TestZeroAcceptanceIsSmallest", "derived: smallest by the OC"},
	"ParseRules":             {"TestStateJSON", "derived: reads back every name"},
	"Rules.String":           {"TestStateJSON", "derived: reads back every name"},
	"Rules.MarshalText":      {"TestStateJSON", "derived: reads back every name"},
	"Rules.UnmarshalText":    {"TestStateJSON", "derived: reads back every name"},
	"Start":                  {"TestNext", "published: ISO 2859-1 clause 9, MIL-STD-105E 4.7"},
	"State.Next":             {"TestNext", "published: ISO 2859-1 clause 9, MIL-STD-105E 4.7; TestSwitchingFollowsTheRules"},
	"State.Resume":           {"TestResume", "published: ISO 2859-1 9.4"},
	"Wald":                   {"TestWald", "published: NIST e-Handbook 6.2.6; R"},
	"Sequential.Truncate":    {"TestTruncate", "derived: by hand; TestExactByEnumeration"},
	"Sequential.At":          {"TestAt", "R; TestAtWholeNumbers"},
	"Sequential.Judge":       {"TestJudge", "derived: by hand from TestAt"},
	"Outcome.String":         {"TestJudge", "derived: each name"},
	"Sequential.Exact":       {"TestExact", "R; TestExactByEnumeration"},
	"Sequential.Approximate": {"TestApproximate", "published formulas (Wald 1947), R"},
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
