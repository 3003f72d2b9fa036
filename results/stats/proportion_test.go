package stats

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestClopperPearson(t *testing.T) {
	for _, c := range []struct {
		x, n         int
		conf         float64
		lower, upper float64
		source       string
	}{
		{4, 20, 0.90, 0.0713538843086181, 0.401028117331975, "R binom.test; the case of NIST e-Handbook 7.2.4.2"},
		{4, 20, 0.95, 0.0573339970500328, 0.436614002996668, "R binom.test"},
		{1, 30, 0.95, 0.000843570926630479, 0.172169455633413, "R binom.test"},
		{0, 30, 0.95, 0, 0.115703308222028, "R binom.test"},
		{30, 30, 0.95, 0.884296691777972, 1, "R binom.test"},
		{297, 300, 0.95, 0.971055488744307, 0.997932992764908, "R binom.test"},
		{0, 59, 0.95, 0, 0.0606089009503399, "R binom.test"},
	} {
		got, err := ClopperPearson(c.x, c.n, c.conf)
		noError(t, err)
		near(t, c.source+" lower", got.Lower, c.lower, 1e-9)
		near(t, c.source+" upper", got.Upper, c.upper, 1e-9)
	}
	// Printed in NIST e-Handbook 7.2.4.2 (from memory), at their rounding.
	nist, err := ClopperPearson(4, 20, 0.9)
	noError(t, err)
	nearAbs(t, "NIST lower", nist.Lower, 0.071354, 0.5e-6)
	nearAbs(t, "NIST upper", nist.Upper, 0.401029, 1e-6) // computed 0.4010281: their last digit is one off
}

func TestClopperPearsonOneSided(t *testing.T) {
	for _, c := range []struct {
		x, n        int
		conf, lower float64
		source      string
	}{
		{92, 93, 0.95, 0.950006021612012, `R binom.test(alternative = "greater")`},
		{58, 60, 0.95, 0.898764105075838, `R binom.test(alternative = "greater")`},
		{22, 22, 0.90, 0.900628020211279, "(1-C)^(1/n), R"},
		{45, 45, 0.90, 0.950118507318144, "(1-C)^(1/n), R"},
		{59, 59, 0.95, 0.950492390111773, "(1-C)^(1/n), R"},
		{299, 299, 0.95, 0.990030853207101, "(1-C)^(1/n), R"},
	} {
		got, err := ClopperPearsonLower(c.x, c.n, c.conf)
		noError(t, err)
		near(t, c.source, got, c.lower, 1e-9)
		// The upper bound on misses is the mirror image.
		up, err := ClopperPearsonUpper(c.n-c.x, c.n, c.conf)
		noError(t, err)
		near(t, c.source+" mirrored", up, 1-c.lower, 1e-9)
	}
	// 0 of n, exact 1-0.05^(1/n), R.
	for n, want := range map[int]float64{30: 0.0950338528553042, 59: 0.0495076098882270, 100: 0.0295130496070399, 300: 0.00993608194445772} {
		got, err := ClopperPearsonUpper(0, n, 0.95)
		noError(t, err)
		near(t, "0 of n", got, want, 1e-9)
		if rough := 3 / float64(n); rough < got {
			t.Errorf("n = %d: rule of three %v is below the exact bound %v", n, rough, got)
		}
	}
}

func TestWilson(t *testing.T) {
	for _, c := range []struct {
		x, n         int
		conf         float64
		lower, upper float64
		source       string
	}{
		{4, 20, 0.95, 0.0806576625797981, 0.4160174322518935, "R prop.test(correct = FALSE)"},
		{0, 30, 0.95, 0, 0.113513393173969, "R prop.test(correct = FALSE)"},
		{30, 30, 0.95, 0.886486606826031, 1, "R prop.test(correct = FALSE)"},
		{297, 300, 0.90, 0.975244245968057, 0.995996639300318, "R prop.test(correct = FALSE)"},
	} {
		got, err := Wilson(c.x, c.n, c.conf)
		noError(t, err)
		near(t, c.source+" lower", got.Lower, c.lower, 1e-9)
		near(t, c.source+" upper", got.Upper, c.upper, 1e-9)
	}
}

func TestSuccessRunSize(t *testing.T) {
	// R pbinom: smallest n with pbinom(f, n, 1-R) <= 1-C.
	confs := []float64{0.90, 0.95, 0.99}
	for _, c := range []struct {
		reliability float64
		sizes       [3][4]int // by confidence, by misses
	}{
		{0.90, [3][4]int{{22, 38, 52, 65}, {29, 46, 61, 76}, {44, 64, 81, 97}}},
		{0.95, [3][4]int{{45, 77, 105, 132}, {59, 93, 124, 153}, {90, 130, 165, 198}}},
		{0.99, [3][4]int{{230, 388, 531, 667}, {299, 473, 628, 773}, {459, 662, 838, 1001}}},
	} {
		for i, conf := range confs {
			for misses, want := range c.sizes[i] {
				got, err := SuccessRunSize(c.reliability, conf, misses)
				noError(t, err)
				if got != want {
					t.Errorf("R %v C %v misses %d: %d; want %d", c.reliability, conf, misses, got, want)
				}
			}
		}
	}
	// Levels that are met exactly, so that rounding must not decide.
	for _, c := range []struct {
		reliability, conf float64
		want              int
	}{{0.1, 0.9, 1}, {0.5, 0.75, 2}, {0.9, 0.19, 2}} {
		got, err := SuccessRunSize(c.reliability, c.conf, 0)
		noError(t, err)
		if got != c.want {
			t.Errorf("R %v C %v: %d; want %d", c.reliability, c.conf, got, c.want)
		}
	}
	_, err := SuccessRunSize(1-1e-12, 0.95, 0)
	refused(t, "endless", err, "needs more than")
}

func TestProportionRefusals(t *testing.T) {
	for _, f := range []func(x, n int, conf float64) error{
		func(x, n int, conf float64) error { _, err := ClopperPearson(x, n, conf); return err },
		func(x, n int, conf float64) error { _, err := ClopperPearsonLower(x, n, conf); return err },
		func(x, n int, conf float64) error { _, err := ClopperPearsonUpper(x, n, conf); return err },
		func(x, n int, conf float64) error { _, err := Wilson(x, n, conf); return err },
	} {
		refused(t, "n = 0", f(0, 0, 0.95), "n is 0")
		refused(t, "x < 0", f(-1, 5, 0.95), "x is -1")
		refused(t, "x > n", f(6, 5, 0.95), "x is 6")
		for _, conf := range []float64{0, 1, -0.1, 1.1, 95, math.NaN(), math.Inf(1)} {
			refused(t, "conf", f(1, 5, conf), "conf is")
		}
		noError(t, f(0, 1, 0.95))
		noError(t, f(2, 2, 0.95))
	}
	_, err := SuccessRunSize(1, 0.95, 0)
	refused(t, "reliability", err, "reliability is 1")
	_, err = SuccessRunSize(0.9, 0, 0)
	refused(t, "conf", err, "conf is 0")
	_, err = SuccessRunSize(0.9, 0.9, -1)
	refused(t, "misses", err, "misses is -1")
}

// The interval must invert the binomial tests that define it.
func TestClopperPearsonInvertsTails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 2000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		conf := rapid.Float64Range(0.5, 0.999).Draw(t, "conf")
		got, err := ClopperPearson(x, n, conf)
		if err != nil {
			t.Fatal(err)
		}
		tail := (1 - conf) / 2
		if got.Lower > float64(x)/float64(n) || got.Upper < float64(x)/float64(n) {
			t.Fatalf("%v does not hold %d/%d", got, x, n)
		}
		b := func(p float64) distuv.Binomial { return distuv.Binomial{N: float64(n), P: p} }
		if x > 0 {
			if p := 1 - b(got.Lower).CDF(float64(x-1)); math.Abs(p-tail) > 1e-9 {
				t.Fatalf("lower tail %v; want %v", p, tail)
			}
		}
		if x < n {
			if p := b(got.Upper).CDF(float64(x)); math.Abs(p-tail) > 1e-9 {
				t.Fatalf("upper tail %v; want %v", p, tail)
			}
		}
	})
}
