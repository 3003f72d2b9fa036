package compare

import (
	"fmt"
	"math"

	"drench/results/stats"
	"drench/rig"
)

func sqrt(n int) float64     { return math.Sqrt(float64(n)) }
func root(x float64) float64 { return math.Sqrt(max(x, 0)) }

// rate fills in how often a count went wrong, over all nights.
func (s *series) rate() {
	var all tally
	for _, t := range s.tallies {
		all = all.plus(t)
		if t.x > 0 {
			s.BadNights++
		}
	}
	if all.empty() {
		return
	}
	s.Rate = s.scale * all.value()
	bound := func() (stats.Interval, error) {
		if all.rate() {
			return stats.Garwood(all.x, all.exposure, 0.95)
		}
		return stats.ClopperPearson(all.x, all.of, 0.95)
	}
	if i, err := bound(); err == nil {
		s.RateInterval = &Interval{s.scale * i.Lower, s.scale * i.Upper}
	}
}

// unchanged says how a count stands whose rate has not been shown to change:
// flaky is what goes wrong in several nights, but not always.
func (s *series) unchanged() {
	var all tally
	for _, t := range s.tallies {
		all = all.plus(t)
	}
	nights := len(s.tallies)
	switch {
	case all.x == 0:
		s.State, s.Reason = NotMoving, fmt.Sprintf("0 in %s, %s", number(nights, "night"), s.total(all))
	case !all.rate() && all.x == all.of:
		s.State, s.Reason = Steady, fmt.Sprintf("%d of %d, in each of %s", all.x, all.of, number(nights, "night"))
	case s.BadNights == 1:
		s.State, s.Reason = Once, fmt.Sprintf("%s in one of %s, which is not enough to call it a change", number(all.x, "time"), number(nights, "night"))
	default:
		s.State = Flaky
		s.Reason = fmt.Sprintf("%d in %s: %s (%s to %s with 95 %% confidence), in %d of %s; no night is shown at which the rate changed",
			all.x, s.total(all), Format(s.Rate, s.Unit), Format(s.RateInterval.Lower, s.Unit), Format(s.RateInterval.Upper, s.Unit), s.BadNights, number(nights, "night"))
	}
}

// total says what a tally of the series is counted in.
func (s *series) total(t tally) string {
	if m, _ := marginOf(s.Measure); m.each != "" {
		return number(int(t.exposure), m.each)
	}
	if t.rate() {
		return Format(t.exposure*1e9, rig.Second)
	}
	return fmt.Sprint(t.of)
}
