package portable

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// draws is how many numbers the tests of distributions look at.
const draws = 20000

// TestDistributions compares draws with their law by the statistic of
// Kolmogorov and Smirnov: 1.95/√n is exceeded once in a thousand (asymptotic
// law; N. Smirnov, Ann. Math. Stat. 19 (1948) 279). The seeds are fixed, so it
// is not a matter of luck.
func TestDistributions(t *testing.T) {
	tests := []struct {
		name string
		draw func(r *Rand) float64
		law  func(x float64) float64
	}{
		{"Float64", (*Rand).Float64, func(x float64) float64 { return x }},
		{"Uniform", func(r *Rand) float64 { return r.Uniform(-3, 5) }, func(x float64) float64 { return (x + 3) / 8 }},
		{"Normal", func(r *Rand) float64 { return r.Normal(10, 2) },
			func(x float64) float64 { return 0.5 * math.Erfc((10-x)/2/math.Sqrt2) }},
		{"Exponential", func(r *Rand) float64 { return r.Exponential(4) },
			func(x float64) float64 { return -math.Expm1(-x / 4) }},
		{"Gap", func(r *Rand) float64 { return r.Gap(4) },
			func(x float64) float64 { return -math.Expm1(-x * 4) }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r := NewRand(1)
			xs := make([]float64, draws)
			for i := range xs {
				xs[i] = test.draw(r)
			}
			slices.Sort(xs)
			var d float64
			for i, x := range xs {
				p := test.law(x)
				d = max(d, p-float64(i)/draws, float64(i+1)/draws-p)
			}
			if limit := 1.95 / math.Sqrt(draws); d > limit {
				t.Errorf("largest distance to the law %.4f, want at most %.4f", d, limit)
			}
		})
	}
}

// The two normals of a pair must not lean on each other.
func TestNormalPairsUncorrelated(t *testing.T) {
	r := NewRand(2)
	var product float64
	for range draws {
		product += r.Normal(0, 1) * r.Normal(0, 1)
	}
	if c := product / draws; math.Abs(c) > 4/math.Sqrt(draws) {
		t.Errorf("correlation %.4f", c)
	}
}

func TestSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		label := rapid.String().Draw(t, "label")
		before := NewRand(seed)
		first := before.Split(label).Uint64()
		for range rapid.IntRange(0, 5).Draw(t, "draws") {
			before.Normal(0, 1)
		}
		if again := before.Split(label).Uint64(); again != first {
			t.Fatalf("Split(%q) depends on the draws before it", label)
		}
		for name, other := range map[string]*Rand{
			"parent":        NewRand(seed),
			"other label":   NewRand(seed).Split(label + "x"),
			"grandchild":    NewRand(seed).Split(label).Split(label),
			"another seed":  NewRand(seed + 1).Split(label),
			"nested labels": NewRand(seed).Split("x").Split(label),
		} {
			if other.Uint64() == first {
				t.Fatalf("Split(%q) gives the stream of: %s", label, name)
			}
		}
	})
}

func TestShuffle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 50).Draw(t, "n")
		xs := make([]int, n)
		for i := range xs {
			xs[i] = i
		}
		r := NewRand(rapid.Uint64().Draw(t, "seed"))
		r.Shuffle(n, func(i, j int) { xs[i], xs[j] = xs[j], xs[i] })
		slices.Sort(xs)
		for i, x := range xs {
			if x != i {
				t.Fatalf("not a permutation: %v", xs)
			}
		}
	})
}

// All six orders of three elements come up about equally often.
func TestShuffleFair(t *testing.T) {
	r := NewRand(3)
	count := map[[3]int]int{}
	for range 6000 {
		xs := [3]int{0, 1, 2}
		r.Shuffle(3, func(i, j int) { xs[i], xs[j] = xs[j], xs[i] })
		count[xs]++
	}
	for xs, n := range count {
		if n < 850 || n > 1150 { // 5 standard deviations
			t.Errorf("%v came %d times in 6000", xs, n)
		}
	}
	if len(count) != 6 {
		t.Errorf("%d orders, want 6", len(count))
	}
}

func TestEdges(t *testing.T) {
	r := NewRand(4)
	for range 1000 {
		if r.Chance(0) || r.Chance(-1) || !r.Chance(1) || !r.Chance(2) {
			t.Fatal("Chance outside (0, 1) is not certain")
		}
		if n := r.IntN(3); n < 0 || n > 2 {
			t.Fatalf("IntN(3) = %d", n)
		}
	}
	for _, rate := range []float64{0, -1, math.NaN()} {
		a, b := NewRand(5), NewRand(5)
		if gap := a.Gap(rate); !math.IsInf(gap, 1) {
			t.Errorf("Gap(%v) = %v, want +Inf", rate, gap)
		}
		b.Gap(1)
		if a.Uint64() != b.Uint64() {
			t.Errorf("Gap(%v) draws another count than Gap(1)", rate)
		}
	}
}

// TestBits holds the very bits of everything in this package. They were the
// same when this test ran as an amd64, an arm64 and an arm (v7) program. A
// change here changes the timeline of every stored virtual run with a seed.
func TestBits(t *testing.T) {
	tests := []struct {
		name, want string
		f          func(r *Rand) float64
	}{
		{"Exp", "e0d55c2c85291dc4", func(r *Rand) float64 { return Exp(r.Uniform(-750, 715)) }},
		{"Log", "9f3c5817389ff5e5", func(r *Rand) float64 { return Log(math.Float64frombits(r.Uint64() >> 1)) }},
		{"Pow", "f93c7a663210b3e4", func(r *Rand) float64 { return Pow(r.Uniform(0, 40), r.Uniform(-30, 30)) }},
		{"SinPi", "6b0fbc4526a71218", func(r *Rand) float64 { return SinPi(r.Normal(0, 10)) }},
		{"CosPi", "cc6dab28ad7fc59c", func(r *Rand) float64 { return CosPi(r.Normal(0, 10)) }},
		{"Poly", "b91dd23a8377f94d", func(r *Rand) float64 { return Poly(r.Float64(), 1.1, -2.3, 3.7, 0.1) }},
		{"Uniform", "8be6cd795c45ed19", func(r *Rand) float64 { return r.Uniform(-0.3, 0.7) }},
		{"Normal", "e157ab2956b48b6f", func(r *Rand) float64 { return r.Normal(0.1, 1.7) }},
		{"Exponential", "f49695b2ecca5070", func(r *Rand) float64 { return r.Exponential(0.3) }},
		{"IntN", "3b630d553db62eed", func(r *Rand) float64 { return float64(r.IntN(1_000_003)) }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r := NewRand(42).Split(test.name)
			hash := sha256.New()
			for range 10000 {
				x := test.f(r)
				if math.IsNaN(x) {
					x = 0 // the bits of a NaN are the processor's own
				}
				hash.Write(binary.BigEndian.AppendUint64(nil, math.Float64bits(x)))
			}
			if got := fmt.Sprintf("%x", hash.Sum(nil)[:8]); got != test.want {
				t.Errorf("hash of 10000 values %s, want %s", got, test.want)
			}
		})
	}
}
