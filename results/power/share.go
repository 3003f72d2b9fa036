package power

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strconv"

	"drench/results/sampling"
	"drench/results/stats"
	"drench/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// Missed asks how many trials show that no more than a share is missed.
type Missed struct {
	Limit      rig.Share
	Confidence float64 // 0.5 to 1, of the verdict
	True       rig.Share
}

// whole is a share of 1.
const whole rig.Share = 1e9

func part(s rig.Share) float64 { return float64(s) / float64(whole) }

// Answer answers for the judgement by Clopper and Pearson: a run passes if the
// upper bound does not exceed the limit, and fails if the lower bound does. It
// is an error if a parameter is out of range.
func (q Missed) Answer() (Answer, error) {
	if err := checkShares(q.Limit, q.True, q.Confidence); err != nil {
		return Answer{}, err
	}
	a := ofProcess(q.Limit, q.True, q.Confidence).answer(q.True < q.Limit)
	a.Unit, a.wrong = "trials", "missed"
	a.Assumes = []string{"Trials are alike and independent.", inconclusive, fixedSize}
	a.say(claim{
		shown:  fmt.Sprintf("at most %s are missed", share(q.Limit)),
		truth:  fmt.Sprintf("%s are truly missed", share(q.True)),
		do:     "run %s, of which",
		none:   "none may be missed",
		some:   "at most %d may be missed",
		conf:   q.Confidence,
		untrue: q.True >= q.Limit,
		most:   mostTrials,
	})
	return a, nil
}

func checkShares(limit, truth rig.Share, conf float64) error {
	switch {
	case limit <= 0 || limit >= whole:
		return fmt.Errorf("limit is %s; expected a share above 0 %% and below 100 %%", share(limit))
	case truth < 0 || truth > whole:
		return fmt.Errorf("true is %s; expected a share from 0 %% to 100 %%", share(truth))
	}
	return checkConfidence(conf)
}

// ofProcess counts what goes wrong with a share of trials without end.
func ofProcess(limit, truth rig.Share, conf float64) counted {
	return counted{
		size: func(allowed int) (float64, error) {
			n, err := stats.SuccessRunSize(1-part(limit), conf, allowed)
			return float64(n), err
		},
		fails: func(n float64) int {
			return sort.Search(int(n)+1, func(x int) bool {
				lower, err := stats.ClopperPearsonLower(x, int(n), conf)
				return err == nil && lower > part(limit)
			})
		},
		pass: func(n float64, most int) float64 { return distuv.Binomial{N: n, P: part(truth)}.CDF(float64(most)) },
		fail: func(n float64, atLeast int) float64 {
			return distuv.Binomial{N: n, P: part(truth)}.Survival(float64(atLeast - 1))
		},
		most: mostTrials,
	}
}

// DUTs asks how many devices show that no more than a share of them is
// defective.
type DUTs struct {
	Limit      rig.Share
	Confidence float64 // 0.5 to 1
	True       rig.Share
	Lot        int // devices in the lot, 0 for production without end
}

// Answer gives the success-run table: the devices to test with 0, 1, 2 and so
// on of them allowed to be defective, and how often that passes. For a lot it is
// hypergeometric: the smallest sample that a lot with one more defective device
// than the limit allows passes with probability no more than 1 - confidence.
// It is an error if a parameter is out of range.
func (q DUTs) Answer() (Answer, error) {
	if err := checkShares(q.Limit, q.True, q.Confidence); err != nil {
		return Answer{}, err
	}
	if q.Lot < 0 || q.Lot > mostTrials {
		return Answer{}, fmt.Errorf("lot is %d; expected 1 to %d devices, or 0 for production without end", q.Lot, mostTrials)
	}
	c, shown := ofProcess(q.Limit, q.True, q.Confidence), q.True < q.Limit
	assumed := "Devices are drawn at random from production without end."
	if q.Lot > 0 {
		c, shown = q.ofLot(), q.defective() <= q.allowedInLot()
		assumed = fmt.Sprintf("Devices are drawn at random from a lot of %d, of which at most %d may be defective.", q.Lot, q.allowedInLot())
	}
	a := c.answer(shown)
	a.Unit, a.wrong = "DUTs", "defective"
	a.Assumes = []string{assumed, "One DUT is judged without error: what it takes to judge it is a matter of its own trials.", fixedSize}
	a.say(claim{
		shown:  fmt.Sprintf("at most %s are defective", share(q.Limit)),
		truth:  fmt.Sprintf("%s are truly defective", share(q.True)),
		do:     "test %s, of which",
		none:   "none may be defective",
		some:   "at most %d may be defective",
		conf:   q.Confidence,
		untrue: !shown,
		most:   c.most,
	})
	return a, nil
}

// allowedInLot is how many defective devices a lot may have.
func (q DUTs) allowedInLot() int { return int(math.Floor(part(q.Limit)*float64(q.Lot) + 1e-9)) }

// defective is how many a lot truly has.
func (q DUTs) defective() int { return int(math.Round(part(q.True) * float64(q.Lot))) }

// ofLot counts defective devices in a sample without replacement.
func (q DUTs) ofLot() counted {
	allowed, truly := q.allowedInLot(), q.defective()
	// accept is the probability of no more than most defective in a sample of n
	// from a lot with so many.
	accept := func(n float64, most, bad int) float64 {
		if most < 0 {
			return 0
		}
		p, err := sampling.Plan{N: int(n), Ac: most, Re: most + 1}.OCLot(q.Lot, min(bad, q.Lot))
		if err != nil {
			return 1
		}
		return p
	}
	return counted{
		size: func(most int) (float64, error) {
			n := most + 1 + sort.Search(q.Lot-most, func(i int) bool {
				return accept(float64(most+1+i), most, allowed+1) <= 1-q.Confidence
			})
			if n > q.Lot {
				return 0, errors.New("the whole lot would not show it")
			}
			return float64(n), nil
		},
		fails: func(n float64) int {
			return sort.Search(int(n)+1, func(x int) bool { return accept(n, x-1, allowed) >= q.Confidence })
		},
		pass: func(n float64, most int) float64 { return accept(n, most, truly) },
		fail: func(n float64, atLeast int) float64 { return 1 - accept(n, atLeast-1, truly) },
		most: mostTrials,
	}
}

// share prints a share in percent.
func share(s rig.Share) string {
	return strconv.FormatFloat(100*part(s), 'g', 9, 64) + " %"
}
