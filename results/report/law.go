package report

import (
	"fmt"
	"time"

	"drench/results/stats"
	"drench/rig"
)

// law is what is known of latencies beforehand: a device that samples every
// period answers an event at a random phase after a time that is uniform on
// (c, period + c], c being the conversion and the readings in a row that it
// waits for.
type law struct {
	claimedFrom, claimedTo float64 // ns, from the DUT's profile
	fit                    stats.SamplerFit
	n                      int
}

// fitLaw fits the law to answered latencies in ns.
func fitLaw(d rig.DUT, values []float64) (*law, error) {
	s := d.Sampling
	period := float64(s.Period)
	fit, err := stats.FitSamplerLaw(values, period)
	if err != nil {
		return nil, err
	}
	from := float64(max(s.Readings, 1)-1)*period + float64(s.Conversion)
	return &law{from, from + period, fit, len(values)}, nil
}

// poorFit is the p-value under which the caption says that the law does not
// hold (common practice, no source).
const poorFit = 0.05

// conclude says what the fit means.
func (l *law) conclude() []string {
	period := time.Duration(l.claimedTo - l.claimedFrom)
	numbers := fmt.Sprintf("D = %s, p = %s for %d latencies", rig.Significant(l.fit.D, 3), rig.Significant(l.fit.P, 2), l.n)
	var first string
	if l.fit.P < poorFit {
		first = fmt.Sprintf("The latencies do not follow the law of a device that looks once every %s (%s). "+
			"Either it looks at other times, or it needs more looks for some doses, or doses and looks kept step. "+
			"Do not read a worst case off these latencies before that is understood.", span(period), numbers)
	} else {
		first = fmt.Sprintf("The latencies fit a device that looks once every %s (%s): the doses met it at all phases, "+
			"so the spread is the device's own sampling.", span(period), numbers)
	}
	return []string{first, fmt.Sprintf("Law drawn: uniform from %s to %s, fitted with the period kept; the profile claims %s to %s.",
		quantity(l.fit.From, rig.Second), quantity(l.fit.To, rig.Second),
		quantity(l.claimedFrom, rig.Second), quantity(l.claimedTo, rig.Second))}
}
