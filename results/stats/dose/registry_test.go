package dose

import (
	"testing"

	"drench/results/stats/checked"
)

// registry says, for each exported function and method, which test checks its
// numbers and against what.
var registry = map[string]checked.Check{
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

func TestRegistry(t *testing.T) { checked.Functions(t, registry) }
