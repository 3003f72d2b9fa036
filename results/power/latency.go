package power

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// Shape is a shape of a distribution.
type Shape string

// Shapes. Uniform is that of a detector that samples with a period.
const (
	Uniform   Shape = "uniform"
	Normal    Shape = "normal"
	LogNormal Shape = "lognormal"
)

// Latency asks how many trials show that a quantile of latency is below a
// limit.
type Latency struct {
	Quantile   float64       // 0 to 1
	Limit      time.Duration // that the quantile must keep
	Confidence float64       // 0.5 to 1, of the verdict
	True       time.Duration // the quantile, as it probably is
	Shape      Shape
	From       time.Duration // Uniform: the shortest latency
	SD         time.Duration // Normal, LogNormal: standard deviation
	U          time.Duration // standard uncertainty of one latency, for the guard band
}

// mostTrials is the largest run that is thought of.
const mostTrials = 100_000

// Answer answers for the judgement by order statistics: a run of n passes if
// the value at the rank of stats.QuantileUpperRank, with its guard band, is
// below the limit, and fails if the one at stats.QuantileLowerRank is not. With
// probability F(limit) of a latency below the limit, how many are is binomial.
// It is an error if a parameter is out of range.
func (q Latency) Answer() (Answer, error) {
	if err := q.check(); err != nil {
		return Answer{}, err
	}
	law, assumption, err := q.law()
	if err != nil {
		return Answer{}, err
	}
	guard := measure.Guard * float64(q.U)
	late, surelyLate := 1-law.CDF(float64(q.Limit)-guard), 1-law.CDF(float64(q.Limit)+guard)
	c := counted{
		size: func(allowed int) (float64, error) {
			n, err := stats.QuantileSampleSize(q.Quantile, q.Confidence, allowed+1)
			return float64(n), err
		},
		fails: func(n float64) int {
			rank, ok, err := stats.QuantileLowerRank(int(n), q.Quantile, q.Confidence)
			if err != nil || !ok {
				return int(n) + 1
			}
			return int(n) - rank + 1
		},
		pass: func(n float64, most int) float64 { return distuv.Binomial{N: n, P: late}.CDF(float64(most)) },
		fail: func(n float64, atLeast int) float64 {
			return distuv.Binomial{N: n, P: surelyLate}.Survival(float64(atLeast - 1))
		},
		most: mostTrials,
	}
	a := c.answer(q.True < q.Limit)
	a.Unit, a.wrong = "trials", "later"
	a.Assumes = append([]string{assumption}, assumedTrials...)
	if q.U > 0 {
		a.Assumes = append(a.Assumes, fmt.Sprintf("Each latency is judged with a guard band of %s, 1.645 standard uncertainties.", rig.Of(time.Duration(guard))))
	}
	name := fmt.Sprintf("p%.6g", 100*q.Quantile)
	a.say(claim{
		shown:  fmt.Sprintf("%s is below %s", name, span(q.Limit)),
		truth:  fmt.Sprintf("the true %s is %s", name, span(q.True)),
		do:     "run %s, of which",
		none:   fmt.Sprintf("none may be later than %s", span(q.Limit)),
		some:   fmt.Sprintf("at most %%d may be later than %s", span(q.Limit)),
		conf:   q.Confidence,
		untrue: q.True >= q.Limit,
		most:   mostTrials,
	})
	return a, nil
}

const (
	inconclusive = "An inconclusive trial does not count: plan as many more as are expected."
	fixedSize    = "The size is fixed beforehand: to go on until a run passes takes its confidence away."
)

var assumedTrials = []string{
	"Trials are alike and independent; stimuli come at a random phase of the DUT's period.",
	"A trial without an answer counts as later than the limit.",
	inconclusive, fixedSize,
}

func (q Latency) check() error {
	switch {
	case !(q.Quantile > 0 && q.Quantile < 1):
		return fmt.Errorf("quantile is %v; expected a share between 0 and 1", q.Quantile)
	case q.Limit <= 0 || q.True <= 0:
		return fmt.Errorf("limit is %v and true is %v; expected both above 0", q.Limit, q.True)
	case q.U < 0:
		return fmt.Errorf("uncertainty is %v; expected 0 or more", q.U)
	}
	return checkConfidence(q.Confidence)
}

func checkConfidence(conf float64) error {
	if conf > 0.5 && conf < 1 {
		return nil
	}
	return fmt.Errorf("confidence is %v; expected a share above 0.5 and below 1", conf)
}

// cdf is a distribution of latencies in nanoseconds.
type cdf interface{ CDF(x float64) float64 }

// law returns the distribution of the shape whose quantile is the true one.
func (q Latency) law() (cdf, string, error) {
	z := distuv.UnitNormal.Quantile(q.Quantile)
	at, sd := float64(q.True), float64(q.SD)
	switch q.Shape {
	case Uniform:
		if q.From < 0 || q.From >= q.True {
			return nil, "", fmt.Errorf("the shortest latency is %v; expected 0 or more, and less than the true quantile %v", q.From, q.True)
		}
		to := float64(q.From) + (at-float64(q.From))/q.Quantile
		return distuv.Uniform{Min: float64(q.From), Max: to}, fmt.Sprintf(
			"Latency is uniform from %s to %s, as that of a detector that samples with a period of %s.",
			span(q.From), rig.Of(time.Duration(to)), rig.Of(time.Duration(to)-q.From)), nil
	case Normal, LogNormal:
		if sd <= 0 {
			return nil, "", fmt.Errorf("the standard deviation of latency is %v; expected one above 0 for the %s shape", q.SD, q.Shape)
		}
	default:
		return nil, "", fmt.Errorf("shape is %q; expected %s, %s or %s", q.Shape, Uniform, Normal, LogNormal)
	}
	assumption := fmt.Sprintf("Latency is %s with a standard deviation of %s.", q.Shape, span(q.SD))
	if q.Shape == Normal {
		return distuv.Normal{Mu: at - z*sd, Sigma: sd}, assumption, nil
	}
	sigma, err := logSigma(z, sd/at)
	return distuv.LogNormal{Mu: math.Log(at) - z*sigma, Sigma: sigma}, assumption, err
}

// logSigma returns the sigma of a lognormal distribution whose standard
// deviation is the given multiple of its quantile at z standard deviations:
// sqrt(exp(sigma^2)-1) exp(sigma^2/2 - z sigma) = ratio. It is the smallest
// where several are, as from z = 2.5 on, and an error where none is.
func logSigma(z, ratio float64) (float64, error) {
	off := func(s float64) float64 { return math.Sqrt(math.Expm1(s*s))*math.Exp(s*s/2-z*s) - ratio }
	const step, end = 1.0 / 64, 8
	hi := step
	for off(hi) < 0 {
		if hi += step; hi > end {
			return 0, errors.New("no lognormal distribution has that quantile and standard deviation; expected a smaller standard deviation")
		}
	}
	lo := hi - step
	for range 60 {
		if mid := (lo + hi) / 2; off(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}

// span prints a time with all its digits.
func span(d time.Duration) string {
	unit, text := time.Second, " s"
	if d < time.Second {
		unit, text = time.Millisecond, " ms"
	}
	return strconv.FormatFloat(float64(d)/float64(unit), 'f', -1, 64) + text
}
