package stats

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestQuantile(t *testing.T) {
	data := []float64{4, 1, 3, 2}
	for _, c := range []struct{ p, want float64 }{ // R quantile(1:4, p), type 7
		{0.25, 1.75}, {0.5, 2.5}, {0.9, 3.7}, {0.999999, 3.999997},
	} {
		got, err := Quantile(data, c.p)
		noError(t, err)
		near(t, "quantile", got, c.want, 1e-12)
	}
	if data[0] != 4 {
		t.Error("the data were sorted in place")
	}
	one, err := Quantile([]float64{7}, 0.3)
	noError(t, err)
	near(t, "quantile of one value", one, 7, 0)
	two, err := Quantile([]float64{8, 7}, 0.3)
	noError(t, err)
	near(t, "quantile of two values", two, 7.3, 1e-12)
}

func TestOrderStatInterval(t *testing.T) {
	for _, c := range []struct {
		n       int
		p, conf float64
		want    OrderStat
	}{ // R pbinom
		{20, 0.5, 0.95, OrderStat{L: 6, U: 15, Cover: 0.958610534667969}},
		{25, 0.5, 0.95, OrderStat{L: 8, U: 18, Cover: 0.956714749336243}},
		{100, 0.5, 0.95, OrderStat{L: 40, U: 61, Cover: 0.964799799782295}},
		{100, 0.9, 0.95, OrderStat{L: 84, U: 96, Cover: 0.955690107191223}},
		{60, 0.95, 0.90, OrderStat{L: 54, U: 60, Cover: 0.924236099058165}},
		{200, 0.95, 0.95, OrderStat{L: 184, U: 197, Cover: 0.967152163856726}},
		{50, 0.95, 0.95, OrderStat{L: 44, NoUpper: true, Cover: 0.988213552202736}},
		{1, 0.5, 0.95, OrderStat{NoLower: true, NoUpper: true, Cover: 1}}, // by hand
		{2, 0.5, 0.50, OrderStat{L: 1, U: 2, Cover: 0.5}},                 // by hand
	} {
		got, err := OrderStatInterval(c.n, c.p, c.conf)
		noError(t, err)
		near(t, "cover", got.Cover, c.want.Cover, 1e-9)
		got.Cover = c.want.Cover
		if got != c.want {
			t.Errorf("n %d p %v conf %v: %+v; want %+v", c.n, c.p, c.conf, got, c.want)
		}
	}
}

func TestQuantileRanks(t *testing.T) {
	// By definition: the one-sided bound at 97.5 % is the two-sided limit at 95 %.
	for _, c := range []struct {
		n    int
		p    float64
		l, u int
	}{{20, 0.5, 6, 15}, {25, 0.5, 8, 18}, {100, 0.9, 84, 96}, {200, 0.95, 184, 197}, {50, 0.95, 44, 0}, {2, 0.5, 0, 0}} {
		l, okL, err := QuantileLowerRank(c.n, c.p, 0.975)
		noError(t, err)
		u, okU, err := QuantileUpperRank(c.n, c.p, 0.975)
		noError(t, err)
		if l != c.l || u != c.u || okL != (c.l > 0) || okU != (c.u > 0) {
			t.Errorf("n %d p %v: ranks %d %v, %d %v; want %d, %d", c.n, c.p, l, okL, u, okU, c.l, c.u)
		}
	}
	// The Wilks sizes are just enough, one fewer is not.
	for _, c := range []struct {
		n, rank int
		ok      bool
	}{{58, 0, false}, {59, 59, true}, {92, 92, true}, {93, 92, true}, {124, 122, true}} {
		rank, ok, err := QuantileUpperRank(c.n, 0.95, 0.95)
		noError(t, err)
		if rank != c.rank || ok != c.ok {
			t.Errorf("n %d: rank %d, %v; want %d, %v", c.n, rank, ok, c.rank, c.ok)
		}
	}
}

func TestQuantileSampleSize(t *testing.T) {
	for _, c := range []struct { // Wilks, Ann. Math. Stat. 12 (1941) 91; R pbinom
		p, conf float64
		k, want int
	}{
		{0.95, 0.95, 1, 59}, {0.95, 0.95, 2, 93}, {0.95, 0.95, 3, 124}, {0.95, 0.95, 4, 153},
		{0.99, 0.95, 1, 299}, {0.95, 0.99, 1, 90},
	} {
		got, err := QuantileSampleSize(c.p, c.conf, c.k)
		noError(t, err)
		if got != c.want {
			t.Errorf("%v/%v k = %d: %d; want %d", c.p, c.conf, c.k, got, c.want)
		}
	}
}

func TestWilksTwoSided(t *testing.T) {
	for _, c := range []struct { // Wilks, Ann. Math. Stat. 12 (1941) 91; R
		content, conf float64
		want          int
	}{{0.90, 0.90, 38}, {0.90, 0.95, 46}, {0.95, 0.95, 93}, {0.95, 0.99, 130}, {0.99, 0.95, 473}, {0.99, 0.99, 662}} {
		got, err := WilksTwoSided(c.content, c.conf)
		noError(t, err)
		if got != c.want {
			t.Errorf("%v/%v: %d; want %d", c.content, c.conf, got, c.want)
		}
	}
}

func TestQuantileRefusals(t *testing.T) {
	_, err := Quantile(nil, 0.5)
	refused(t, "no data", err, "data has 0 values")
	_, err = Quantile([]float64{1, math.NaN()}, 0.5)
	refused(t, "NaN", err, "data[1] is NaN")
	_, err = Quantile([]float64{math.Inf(-1)}, 0.5)
	refused(t, "infinity", err, "data[0] is -Inf")
	for _, p := range []float64{0, 1, math.NaN()} {
		_, err = Quantile([]float64{1}, p)
		refused(t, "p", err, "p is")
	}
	for _, f := range []func(n int, p, conf float64) error{
		func(n int, p, conf float64) error { _, err := OrderStatInterval(n, p, conf); return err },
		func(n int, p, conf float64) error { _, _, err := QuantileUpperRank(n, p, conf); return err },
		func(n int, p, conf float64) error { _, _, err := QuantileLowerRank(n, p, conf); return err },
	} {
		refused(t, "n", f(0, 0.5, 0.95), "n is 0")
		refused(t, "p", f(5, 1, 0.95), "p is 1")
		refused(t, "conf", f(5, 0.5, 1), "conf is 1")
	}
	_, err = QuantileSampleSize(0, 0.9, 1)
	refused(t, "p", err, "p is 0")
	_, err = QuantileSampleSize(0.9, 2, 1)
	refused(t, "conf", err, "conf is 2")
	_, err = QuantileSampleSize(0.9, 0.9, 0)
	refused(t, "k", err, "k is 0")
	_, err = WilksTwoSided(1, 0.9)
	refused(t, "content", err, "content is 1")
	_, err = WilksTwoSided(0.9, 1)
	refused(t, "conf", err, "conf is 1")
	_, err = WilksTwoSided(1-1e-13, 0.9)
	refused(t, "endless", err, "needs more than")
}

// The bound exists from QuantileSampleSize on, and not one value earlier.
func TestQuantileSizeMatchesRank(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0.05, 0.995).Draw(t, "p")
		conf := rapid.Float64Range(0.05, 0.995).Draw(t, "conf")
		k := rapid.IntRange(1, 5).Draw(t, "k")
		n, err := QuantileSampleSize(p, conf, k)
		if err != nil {
			t.Fatal(err)
		}
		if rank, ok, err := QuantileUpperRank(n, p, conf); err != nil || !ok || rank > n-k+1 {
			t.Fatalf("n %d: rank %d, %v, %v; want at most %d", n, rank, ok, err, n-k+1)
		}
		if n == k {
			return
		}
		if rank, ok, _ := QuantileUpperRank(n-1, p, conf); ok && rank <= n-k {
			t.Fatalf("n %d would do: rank %d", n-1, rank)
		}
	})
}
