package sampling

import (
	"fmt"
	"math"
)

// ZeroAcceptance returns the smallest plan with acceptance number 0 that
// accepts from a process of the given quality (fraction nonconforming) with
// probability no more than beta: the least n with (1-quality)^n <= beta. It
// returns an error unless both are within (0, 1).
func ZeroAcceptance(quality, beta float64) (Plan, error) {
	if err := inside("quality", quality); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	if err := inside("beta", beta); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	exact := math.Log(beta) / math.Log1p(-quality)
	if exact > math.MaxInt32 {
		return Plan{}, fmt.Errorf("zero-acceptance plan: quality is %v: want one that needs no more than %d units", quality, math.MaxInt32)
	}
	n := max(1, int(math.Ceil(exact)))
	// A whole number of units that meets beta to the last bit is enough.
	if n > 1 && float64(n-1) >= exact*(1-1e-14) {
		n--
	}
	return Plan{N: n, Ac: 0, Re: 1}, nil
}

// ZeroAcceptanceLot returns the smallest plan with acceptance number 0 that
// accepts a lot with bad nonconforming units with probability no more than
// beta (hypergeometric). It returns an error for a lot below 1, bad outside 1
// to lot, or beta outside (0, 1).
func ZeroAcceptanceLot(lot, bad int, beta float64) (Plan, error) {
	switch {
	case lot < 1:
		return Plan{}, fmt.Errorf("zero-acceptance plan: lot is %d units: want 1 or more", lot)
	case bad < 1 || bad > lot:
		return Plan{}, fmt.Errorf("zero-acceptance plan: bad is %d: want 1 to lot = %d", bad, lot)
	}
	if err := inside("beta", beta); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	n, none := 0, 1.0
	for none > beta*(1+1e-14) {
		none *= float64(lot-bad-n) / float64(lot-n)
		n++
	}
	return Plan{N: n, Ac: 0, Re: 1}, nil
}
