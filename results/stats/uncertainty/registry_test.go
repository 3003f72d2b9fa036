package uncertainty

import (
	"testing"

	"drench/results/stats/checked"
)

// registry says, for each exported function and method, which test checks its
// numbers and against what.
var registry = map[string]checked.Check{
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

func TestRegistry(t *testing.T) { checked.Functions(t, registry) }
