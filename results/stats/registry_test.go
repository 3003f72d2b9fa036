package stats

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"
)

// check says where a function's numbers are proven: against what source, in
// which test.
type check struct{ source, test string }

// checks lists every exported function and method with its check against
// published or independently computed values.
var checks = map[string]check{
	"ClopperPearson":      {"R binom.test; NIST e-Handbook 7.2.4.2", "TestClopperPearson"},
	"ClopperPearsonLower": {"R binom.test", "TestClopperPearsonOneSided"},
	"ClopperPearsonUpper": {"closed form 1-(1-C)^(1/n) in R", "TestClopperPearsonOneSided"},
	"Wilson":              {"R prop.test", "TestWilson"},
	"SuccessRunSize":      {"R pbinom", "TestSuccessRunSize"},

	"Garwood":      {"R poisson.test", "TestGarwood"},
	"GarwoodLower": {"R poisson.test", "TestGarwood"},
	"GarwoodUpper": {"R poisson.test; -ln(1-C)", "TestGarwoodUpper"},
	"CompareRates": {"R poisson.test", "TestCompareRates"},

	"Quantile":           {"R quantile, type 7", "TestQuantile"},
	"OrderStatInterval":  {"R pbinom", "TestOrderStatInterval"},
	"QuantileUpperRank":  {"R pbinom; Wilks", "TestQuantileRanks"},
	"QuantileLowerRank":  {"R pbinom", "TestQuantileRanks"},
	"QuantileSampleSize": {"Wilks, Ann. Math. Stat. 12 (1941) 91", "TestQuantileSampleSize"},
	"WilksTwoSided":      {"Wilks, Ann. Math. Stat. 12 (1941) 91", "TestWilksTwoSided"},

	"ToleranceOneSided": {"R qt with ncp", "TestToleranceFactors"},
	"ToleranceTwoSided": {"R integrate", "TestToleranceFactors"},
	"ToleranceHowe":     {"R qchisq; NIST e-Handbook 7.2.6.3", "TestToleranceFactors"},
	"ToleranceNatrella": {"NIST e-Handbook 7.2.6.3", "TestToleranceNIST"},

	"Summarize": {"NIST StRD univariate, certified values", "TestSummarizeStRD"},

	"KaplanMeier":           {"R survfit on Freireich et al.", "TestKaplanMeier"},
	"Step.Limits":           {"R survfit(conf.type = log-log)", "TestKaplanMeier"},
	"Curve.At":              {"R survfit on Freireich et al.", "TestKaplanMeier"},
	"Curve.Quantile":        {"R quantile.survfit", "TestKaplanMeierQuantiles"},
	"Curve.QuantileBounds":  {"R quantile.survfit", "TestKaplanMeierQuantiles"},
	"Curve.QuantileLower":   {"R quantile.survfit", "TestKaplanMeierQuantiles"},
	"Curve.QuantileUpper":   {"R quantile.survfit", "TestKaplanMeierQuantiles"},
	"Curve.RestrictedMean":  {"R summary.survfit(rmean)", "TestRestrictedMean"},
	"CensoredQuantileUpper": {"Wilks; R quantile.survfit", "TestCensoredQuantileUpper"},
	"LogRank":               {"R survdiff on Freireich et al.", "TestLogRank"},

	"MannWhitney":       {"R wilcox.test", "TestMannWhitney"},
	"HodgesLehmann":     {"R wilcox.test(conf.int = TRUE)", "TestHodgesLehmann"},
	"KS":                {"law of D_1 by hand; its p-value in TestKolmogorovExact", "TestKS"},
	"KSTwoSample":       {"R ks.test", "TestKSTwoSample"},
	"PermutationTest":   {"exact p of R wilcox.test", "TestPermutationTest"},
	"BenjaminiHochberg": {"Benjamini and Hochberg (1995), R p.adjust", "TestBenjaminiHochberg"},

	"UniformLaw":          {"scipy kstest", "TestUniformLaw"},
	"SamplerLatency":      {"derived values", "TestSamplerLatency"},
	"SamplerLaw.Quantile": {"derived values", "TestSamplerLatency"},
	"FitPeriod":           {"law of the range of a uniform sample", "TestFitPeriod"},
	"FitSamplerLaw":       {"level by simulation", "TestFitSamplerLawLevel"},

	"EWMA":        {"NIST e-Handbook 6.3.2.4", "TestEWMA"},
	"CUSUM":       {"NIST e-Handbook 6.3.2.3", "TestCUSUM"},
	"Individuals": {"NIST e-Handbook 6.3.2.2", "TestIndividuals"},
	"ChangePoint": {"R on the Nile series", "TestChangePoint"},
}

// parsePackage returns the function declarations of the package's files, test
// files or others.
func parsePackage(t *testing.T, tests bool) []*ast.FuncDecl {
	t.Helper()
	names, err := filepath.Glob("*.go")
	noError(t, err)
	var decls []*ast.FuncDecl
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") != tests {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		noError(t, err)
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok {
				decls = append(decls, f)
			}
		}
	}
	return decls
}

// exportedName is the name of an exported function or Type.Method, or "".
func exportedName(f *ast.FuncDecl) string {
	if !f.Name.IsExported() {
		return ""
	}
	if f.Recv == nil {
		return f.Name.Name
	}
	typ := f.Recv.List[0].Type
	if star, ok := typ.(*ast.StarExpr); ok {
		typ = star.X
	}
	if id, ok := typ.(*ast.Ident); ok && id.IsExported() {
		return id.Name + "." + f.Name.Name
	}
	return ""
}

// Every exported function must have a check, and the check's test must call it.
func TestEveryFunctionIsChecked(t *testing.T) {
	bodies := map[string]*ast.FuncDecl{}
	for _, f := range parsePackage(t, true) {
		bodies[f.Name.Name] = f
	}
	seen := map[string]bool{}
	for _, f := range parsePackage(t, false) {
		name := exportedName(f)
		if name == "" {
			continue
		}
		seen[name] = true
		c, listed := checks[name]
		switch {
		case !listed:
			t.Errorf("%s has no published check; list it in checks", name)
		case c.source == "":
			t.Errorf("%s: its check names no source", name)
		case bodies[c.test] == nil:
			t.Errorf("%s: its check %s does not exist", name, c.test)
		case !mentions(bodies[c.test], f.Name.Name):
			t.Errorf("%s: its check %s never calls it", name, c.test)
		}
	}
	for name := range checks {
		if !seen[name] {
			t.Errorf("checks lists %s, which does not exist", name)
		}
	}
}

func mentions(f *ast.FuncDecl, name string) (found bool) {
	ast.Inspect(f, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok && id.Name == name {
			found = true
		}
		return !found
	})
	return found
}
