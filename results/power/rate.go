package power

import (
	"fmt"
	"math"
	"sort"

	"drench/results/stats"
	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rate asks how many hours of watching show that events are no more frequent
// than a limit.
type Rate struct {
	Limit      rig.Rate
	Confidence float64 // 0.5 to 1, of the verdict
	True       rig.Rate
}

// mostHours is the longest run that is thought of, some ten years.
const mostHours = 100_000

// perHour turns nanohertz into events an hour.
func perHour(r rig.Rate) float64 { return float64(r) * 3600e-9 }

// Answer answers for the judgement by Garwood: a run passes if the upper bound
// does not exceed the limit, and fails if the lower bound does. Hours are
// rounded up at the seventh digit. It is an error if a parameter is out of
// range.
func (q Rate) Answer() (Answer, error) {
	switch {
	case q.Limit <= 0:
		return Answer{}, fmt.Errorf("limit is %s; expected a rate above 0", rig.Of(q.Limit))
	case q.True < 0:
		return Answer{}, fmt.Errorf("true is %s; expected a rate of 0 or more", rig.Of(q.True))
	}
	if err := checkConfidence(q.Confidence); err != nil {
		return Answer{}, err
	}
	limit := perHour(q.Limit)
	c := counted{
		size: func(allowed int) (float64, error) {
			events, err := stats.GarwoodUpper(allowed, 1, q.Confidence)
			return roundUp(events / limit), err
		},
		fails: func(hours float64) int {
			return sort.Search(math.MaxInt32, func(x int) bool {
				lower, err := stats.GarwoodLower(x, hours, q.Confidence)
				return err == nil && lower > limit
			})
		},
		pass: func(hours float64, most int) float64 { return q.atMost(hours, most) },
		fail: func(hours float64, atLeast int) float64 { return 1 - q.atMost(hours, atLeast-1) },
		most: mostHours,
	}
	a := c.answer(q.True < q.Limit)
	a.Unit, a.wrong = "h", "events"
	a.Assumes = []string{"Events are independent and come at a constant rate.", "Only time counts in which the DUT is watched and dry.", fixedSize}
	a.say(claim{
		shown:  fmt.Sprintf("there are at most %s", rig.Of(q.Limit)),
		truth:  fmt.Sprintf("there are truly %s", rig.Of(q.True)),
		do:     "watch for %s, in which",
		none:   "no event may come",
		some:   "at most %d events may come",
		conf:   q.Confidence,
		untrue: q.True >= q.Limit,
		most:   mostHours,
	})
	return a, nil
}

// atMost is the probability of so many events or fewer.
func (q Rate) atMost(hours float64, most int) float64 {
	switch {
	case most < 0:
		return 0
	case q.True == 0:
		return 1
	}
	return distuv.Poisson{Lambda: perHour(q.True) * hours}.CDF(float64(most))
}

// roundUp rounds up at the seventh digit, so that printing it does not take
// away what is needed.
func roundUp(x float64) float64 {
	scale := math.Pow(10, 6-math.Floor(math.Log10(x)))
	return math.Ceil(x*scale) / scale
}
