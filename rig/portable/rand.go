package portable

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"math/rand/v2"
)

// Rand is a deterministic stream of random numbers, the same on every machine.
// It wraps the PCG generator of math/rand/v2, whose output is fixed for a seed,
// and adds the distributions that math/rand/v2 draws through functions that
// differ between machines.
//
// A Rand is not safe for use by several goroutines at once; give each part of
// the world its own by Split.
type Rand struct {
	key      [sha256.Size]byte // who this stream is; never changes
	pcg      rand.PCG
	spare    float64 // second normal of a pair
	hasSpare bool
}

// NewRand returns the stream that belongs to seed.
func NewRand(seed uint64) *Rand {
	return newRand(sha256.Sum256(binary.BigEndian.AppendUint64(nil, seed)))
}

func newRand(key [sha256.Size]byte) *Rand {
	r := &Rand{key: key}
	r.pcg.Seed(binary.BigEndian.Uint64(key[:8]), binary.BigEndian.Uint64(key[8:16]))
	return r
}

// Split returns the child stream with that label. It depends on the seed and
// the labels on the way down only, never on how many numbers were drawn: a draw
// more in one part of the world shifts no other. The same label gives the same
// stream again, from its start.
func (r *Rand) Split(label string) *Rand {
	return newRand(sha256.Sum256(append(r.key[:], label...)))
}

// Uint64 returns 64 random bits. It makes a Rand a rand.Source.
func (r *Rand) Uint64() uint64 { return r.pcg.Uint64() }

// Float64 returns a number in [0, 1), a multiple of 2^-53.
func (r *Rand) Float64() float64 { return float64(float64(r.Uint64()>>11) * 0x1p-53) }

// Uniform returns a number from lo up to hi, which rounding alone can reach.
func (r *Rand) Uniform(lo, hi float64) float64 { return lo + float64((hi-lo)*r.Float64()) }

// Chance reports true with probability p; never for p <= 0, always for p >= 1.
func (r *Rand) Chance(p float64) bool { return r.Float64() < p }

// IntN returns a number in [0, n). It panics if n <= 0, as rand.IntN does.
func (r *Rand) IntN(n int) int { return rand.New(r).IntN(n) }

// Shuffle puts n elements in random order by calls of swap.
func (r *Rand) Shuffle(n int, swap func(i, j int)) { rand.New(r).Shuffle(n, swap) }

// Normal returns a normally distributed number by the polar method of G.
// Marsaglia (SIAM Review 6 (1964) 260), which makes two at a time.
func (r *Rand) Normal(mean, sd float64) float64 {
	return mean + float64(sd*r.standardNormal())
}

func (r *Rand) standardNormal() float64 {
	if r.hasSpare {
		r.hasSpare = false
		return r.spare
	}
	for {
		u, v := r.Uniform(-1, 1), r.Uniform(-1, 1)
		s := float64(u*u) + float64(v*v)
		if s == 0 || s >= 1 {
			continue
		}
		f := math.Sqrt(float64(-2*Log(s)) / s)
		r.spare, r.hasSpare = float64(v*f), true
		return float64(u * f)
	}
}

// Exponential returns an exponentially distributed number.
func (r *Rand) Exponential(mean float64) float64 {
	return float64(mean * (0 - Log(1-r.Float64())))
}

// Gap returns the time to the next event of a Poisson process with that many
// events per unit of time; +Inf, but still one draw, if the rate is not above 0.
func (r *Rand) Gap(rate float64) float64 {
	x := r.Exponential(1)
	if !(rate > 0) {
		return math.Inf(1)
	}
	return x / rate
}
