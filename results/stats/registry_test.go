package stats

import (
	"testing"

	"drench/results/stats/checked"
)

// checks lists every exported function and method with its check against
// published or independently computed values.
var checks = map[string]checked.Check{
	"ClopperPearson":      {"TestClopperPearson", "R binom.test; NIST e-Handbook 7.2.4.2"},
	"ClopperPearsonLower": {"TestClopperPearsonOneSided", "R binom.test"},
	"ClopperPearsonUpper": {"TestClopperPearsonOneSided", "closed form 1-(1-C)^(1/n) in R"},
	"Wilson":              {"TestWilson", "R prop.test"},
	"SuccessRunSize":      {"TestSuccessRunSize", "R pbinom"},

	"Garwood":      {"TestGarwood", "R poisson.test"},
	"GarwoodLower": {"TestGarwood", "R poisson.test"},
	"GarwoodUpper": {"TestGarwoodUpper", "R poisson.test; -ln(1-C)"},
	"CompareRates": {"TestCompareRates", "R poisson.test"},

	"Quantile":           {"TestQuantile", "R quantile, type 7"},
	"OrderStatInterval":  {"TestOrderStatInterval", "R pbinom"},
	"QuantileUpperRank":  {"TestQuantileRanks", "R pbinom; Wilks"},
	"QuantileLowerRank":  {"TestQuantileRanks", "R pbinom"},
	"QuantileSampleSize": {"TestQuantileSampleSize", "Wilks, Ann. Math. Stat. 12 (1941) 91"},
	"WilksTwoSided":      {"TestWilksTwoSided", "Wilks, Ann. Math. Stat. 12 (1941) 91"},

	"ToleranceOneSided": {"TestToleranceFactors", "R qt with ncp"},
	"ToleranceTwoSided": {"TestToleranceFactors", "R integrate"},
	"ToleranceHowe":     {"TestToleranceFactors", "R qchisq; NIST e-Handbook 7.2.6.3"},
	"ToleranceNatrella": {"TestToleranceNIST", "NIST e-Handbook 7.2.6.3"},

	"Summarize": {"TestSummarizeStRD", "NIST StRD univariate, certified values"},

	"KaplanMeier":           {"TestKaplanMeier", "R survfit on Freireich et al."},
	"Step.Limits":           {"TestKaplanMeier", "R survfit(conf.type = log-log)"},
	"Curve.At":              {"TestKaplanMeier", "R survfit on Freireich et al."},
	"Curve.Quantile":        {"TestKaplanMeierQuantiles", "R quantile.survfit"},
	"Curve.QuantileBounds":  {"TestKaplanMeierQuantiles", "R quantile.survfit"},
	"Curve.QuantileLower":   {"TestKaplanMeierQuantiles", "R quantile.survfit"},
	"Curve.QuantileUpper":   {"TestKaplanMeierQuantiles", "R quantile.survfit"},
	"Curve.RestrictedMean":  {"TestRestrictedMean", "R summary.survfit(rmean)"},
	"CensoredQuantileUpper": {"TestCensoredQuantileUpper", "Wilks; R quantile.survfit"},
	"LogRank":               {"TestLogRank", "R survdiff on Freireich et al."},

	"MannWhitney":       {"TestMannWhitney", "R wilcox.test"},
	"HodgesLehmann":     {"TestHodgesLehmann", "R wilcox.test(conf.int = TRUE)"},
	"KS":                {"TestKS", "law of D_1 by hand; its p-value in TestKolmogorovExact"},
	"KSTwoSample":       {"TestKSTwoSample", "R ks.test"},
	"PermutationTest":   {"TestPermutationTest", "exact p of R wilcox.test"},
	"BenjaminiHochberg": {"TestBenjaminiHochberg", "Benjamini and Hochberg (1995), R p.adjust"},

	"UniformLaw":          {"TestUniformLaw", "scipy kstest"},
	"SamplerLatency":      {"TestSamplerLatency", "derived values"},
	"SamplerLaw.Quantile": {"TestSamplerLatency", "derived values"},
	"FitPeriod":           {"TestFitPeriod", "law of the range of a uniform sample"},
	"FitSamplerLaw":       {"TestFitSamplerLawLevel", "level by simulation"},

	"EWMA":        {"TestEWMA", "NIST e-Handbook 6.3.2.4"},
	"CUSUM":       {"TestCUSUM", "NIST e-Handbook 6.3.2.3"},
	"Individuals": {"TestIndividuals", "NIST e-Handbook 6.3.2.2"},
	"ChangePoint": {"TestChangePoint", "R on the Nile series"},
}

// Every exported function has a check.
func TestEveryFunctionIsChecked(t *testing.T) { checked.Functions(t, checks) }
