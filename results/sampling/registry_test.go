package sampling

import (
	"testing"

	"drench/results/stats/checked"
)

// registry says, for each exported function and method, which test checks its
// numbers and against what.
var registry = map[string]checked.Check{
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

func TestRegistry(t *testing.T) { checked.Functions(t, registry) }
