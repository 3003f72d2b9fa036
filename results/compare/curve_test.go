package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"drench/results/measure"
	"drench/rig"
)

// probes draws trials at doses around a threshold, in µl.
func probes(rng *rand.Rand, n int, a50 float64) *measure.Measure {
	m := &measure.Measure{Name: measure.Threshold, Kind: measure.Curve, Unit: rig.Litre}
	for i := range n {
		dose := 60 * math.Exp(0.15*float64(i%9-4))
		hit := rng.Float64() < 1/(1+math.Exp(-12*math.Log(dose/a50)))
		m.Graded = append(m.Graded, measure.Graded{Dose: int64(dose * 1e3), Hit: hit, Trial: i + 1})
	}
	return m
}

// TestCurves: a threshold that rises is found, and its interval covers.
func TestCurves(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	for _, c := range []struct {
		base, now *measure.Measure
		want      Word
		says      string
	}{
		{probes(rng, 180, 50), probes(rng, 180, 90), Worse, "a50 "},
		{probes(rng, 180, 90), probes(rng, 180, 50), Better, "a50 "},
		{probes(rng, 180, 60), probes(rng, 180, 60), Same, "within the margin 10 µl"},
		{probes(rng, 18, 60), probes(rng, 18, 60), CantTell, "a side would tell"},
		{probes(rng, 180, 60), probes(rng, 9, 1), CantTell, "every trial had the same outcome"},
	} {
		d := Runs([]Run{drip(c.base)}, []Run{drip(c.now)}, Options{}).Differences[0]
		if d.Word != c.want || !strings.Contains(d.Reason, c.says) {
			t.Errorf("%s: %s\nwant %s, %q", d.Word, d.Reason, c.want, c.says)
		}
	}
	const pairs = 300
	covered, shown := 0, 0
	for range pairs {
		d := Runs([]Run{drip(probes(rng, 90, 60))}, []Run{drip(probes(rng, 90, 66))}, Options{}).Differences[0]
		covered += b2i(d.Interval != nil && d.Interval.Lower <= 6e3 && 6e3 <= d.Interval.Upper)
		same := Runs([]Run{drip(probes(rng, 90, 60))}, []Run{drip(probes(rng, 90, 60))}, Options{}).Differences[0]
		shown += b2i(same.P != nil && *same.P <= 0.05)
	}
	if covered < 252 || covered > 285 { // 90 % of 300: three and a half standard deviations below, and 95 %
		t.Errorf("%d of %d intervals cover the difference", covered, pairs)
	}
	if shown > 28 { // 5 % of 300 and three and a half standard deviations
		t.Errorf("%d of %d pairs without a difference are told apart", shown, pairs)
	}
}

// Nights follow the threshold too.
func TestCurveNights(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 44))
	trend := Nights(fortnightOf(14, func(n int) Run { return drip(probes(rng, 90, 50+40*float64(b2i(n >= 10)))) }), Options{})
	if len(trend.Findings) != 1 || trend.Findings[0].Night != "10" || !trend.Findings[0].Worse {
		t.Errorf("findings %+v", trend.Findings)
	}
}
