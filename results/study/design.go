package study

import (
	"errors"
	"math/rand/v2"
)

// Place is one run that a study asks for.
type Place struct {
	DUT    string
	By     string
	Repeat int // from 1
}

// Order lays a crossed study out: every DUT by everyone, repeats times. Within
// a repeat the order is random, by the seed, so that what drifts with time of
// day does not look like a DUT's or an operator's; repeats follow each other,
// so that two readings of a cell lie apart.
func Order(duts, by []string, repeats int, seed uint64) ([]Place, error) {
	if len(duts) < 2 || len(by) < 2 || repeats < 2 {
		return nil, errors.New("a study needs two or more of each: DUTs (better ten), rigs or operators (better three), repeats")
	}
	rng := rand.New(rand.NewPCG(seed, 0x6f72646572))
	var order []Place
	for n := range repeats {
		from := len(order)
		for _, d := range duts {
			for _, b := range by {
				order = append(order, Place{d, b, n + 1})
			}
		}
		part := order[from:]
		rng.Shuffle(len(part), func(i, j int) { part[i], part[j] = part[j], part[i] })
	}
	return order, nil
}
