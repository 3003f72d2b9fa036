package uncertainty

import (
	"encoding/json"
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestConformanceProbability(t *testing.T) {
	for _, c := range []struct {
		name      string
		y, u      float64
		tolerance Tolerance
		want      float64 // R 4.2.2 pnorm
		printed   float64
	}{
		// JCGM 106:2012 7.3.3, Zener diode, V (example from memory)
		{"Zener diode", -5.40, 0.05, AtLeast(-5.47), 0.919243340766, 0.92},
		// JCGM 106:2012 7.4, viscosity, 1e-6 m2/s (example from memory)
		{"viscosity", 13.6, 1.8, Tolerance{12.5, 16.3}, 0.662629786495, 0.66},
		{"two limits", 11.9, 0.08, Tolerance{10, 12}, 0.894350226, 0.89},
		{"latency", 2.93, 0.05, AtMost(3), 0.919243341, 0.92},
	} {
		pc, err := ConformanceProbability(c.y, c.u, c.tolerance)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name, pc, c.want, 1e-9)
		printed(t, c.name, pc, c.printed, 0.01)
	}
}

// A far tail is not lost to cancellation: R 4.2.2 pnorm(-10) = 7.61985302416053e-24.
func TestConformanceProbabilityFarTail(t *testing.T) {
	for _, c := range []struct {
		y         float64
		tolerance Tolerance
	}{{10, AtMost(0)}, {-10, AtLeast(0)}, {-10, Tolerance{0, 50}}, {60, Tolerance{0, 50}}} {
		pc, err := ConformanceProbability(c.y, 1, c.tolerance)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "tail", pc, 7.61985302416053e-24, 1e-12)
	}
}

// ISO 14253-1:2017 default (rule from memory; limits computed in R 4.2.2).
func TestDecide(t *testing.T) {
	for _, c := range []struct {
		y         float64
		tolerance Tolerance
		want      Decision
	}{
		{2.93, AtMost(3), Undecided}, // pc 0.919
		{2.917757318, AtMost(3), Conforming},
		{2.917757320, AtMost(3), Undecided},
		{3.082242680, AtMost(3), Undecided},
		{3.082242682, AtMost(3), Nonconforming},
		{2.917757318, AtLeast(3), Nonconforming},
		{11, Tolerance{10, 12}, Conforming},
		{12.1, Tolerance{10, 12}, Nonconforming},
		{9.99, Tolerance{10, 12}, Undecided},
	} {
		got, err := Decide(c.y, 0.05, c.tolerance, ISO14253)
		if err != nil || got != c.want {
			t.Errorf("y = %v in %v: %v, error %v, want %v", c.y, c.tolerance, got, err, c.want)
		}
	}
	for d, want := range map[Decision]string{
		Undecided: "undecided", Conforming: "conforming", Nonconforming: "nonconforming", 7: "Decision(7)",
	} {
		if d.String() != want {
			t.Errorf("%q, want %q", d.String(), want)
		}
	}
}

func TestAcceptance(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name         string
		u            float64
		tolerance    Tolerance
		lower, upper float64 // R 4.2.2 qnorm, uniroot
	}{
		{"upper limit", 0.05, AtMost(3), -inf, 2.917757319},
		{"lower limit", 0.05, AtLeast(3), 3.082242681, inf},
		{"two limits far apart", 0.08, Tolerance{10, 12}, 10.131588290156, 11.868411709844},
		{"two limits near each other", 0.4, Tolerance{10, 12}, 10.659506609551, 11.340493390449},
		{"two limits nearly too near", 0.5, Tolerance{10, 12}, 10.898106360298, 11.101893639702},
	} {
		got, err := Acceptance(c.u, c.tolerance, ISO14253)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" lower", got.Lower, c.lower, 1e-9)
		near(t, c.name+" upper", got.Upper, c.upper, 1e-9)
	}
	_, err := Acceptance(0.6, Tolerance{10, 12}, ISO14253) // pc at the centre 0.904
	if !errors.Is(err, ErrNoAcceptance) {
		t.Errorf("nothing left to accept: error %v", err)
	}
}

func TestConformityRefuses(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		name      string
		y, u      float64
		tolerance Tolerance
		want      string
	}{
		{"NaN y", nan, 1, AtMost(3), "y is NaN"},
		{"infinite y", inf, 1, AtMost(3), "y is +Inf"},
		{"zero u", 1, 0, AtMost(3), "u is 0"},
		{"negative u", 1, -1, AtMost(3), "u is -1"},
		{"NaN u", 1, nan, AtMost(3), "u is NaN"},
		{"infinite u", 1, inf, AtMost(3), "u is +Inf"},
		{"NaN limit", 1, 1, AtMost(nan), "upper limit is NaN"},
		{"NaN limit", 1, 1, AtLeast(nan), "lower limit is NaN"},
		{"lower limit +Inf", 1, 1, AtLeast(inf), "lower limit is +Inf"},
		{"upper limit -Inf", 1, 1, AtMost(-inf), "upper limit is -Inf"},
		{"swapped limits", 1, 1, Tolerance{3, 2}, "lower limit is 3: want below"},
		{"no limits", 1, 1, Tolerance{-inf, inf}, "both infinite"},
	} {
		_, err := ConformanceProbability(c.y, c.u, c.tolerance)
		refused(t, c.name, err, c.want)
		_, err = Decide(c.y, c.u, c.tolerance, 0.95)
		refused(t, c.name, err, c.want)
		if c.y == 1 {
			_, err = Acceptance(c.u, c.tolerance, 0.95)
			refused(t, c.name, err, c.want)
		}
	}
	for _, p := range []float64{0, 0.5, 1, 95, nan} {
		_, err := Decide(1, 1, AtMost(3), p)
		refused(t, "p", err, "p is")
		_, err = Acceptance(1, AtMost(3), p)
		refused(t, "p", err, "p is")
	}
}

func TestToleranceJSON(t *testing.T) {
	got, err := json.Marshal(AtMost(3))
	if err != nil || string(got) != `{"lower":null,"upper":3}` {
		t.Errorf("%s, error %v", got, err)
	}
}

// anyTolerance draws one or two limits.
func anyTolerance(t *rapid.T) Tolerance {
	lower := rapid.Float64Range(-100, 100).Draw(t, "lower")
	switch rapid.IntRange(0, 2).Draw(t, "limits") {
	case 0:
		return AtLeast(lower)
	case 1:
		return AtMost(lower)
	}
	return Tolerance{lower, lower + rapid.Float64Range(1e-3, 100).Draw(t, "width")}
}

// The conformance probability is one; inside the acceptance interval y is
// conforming and outside it is not.
func TestConformityProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tolerance := anyTolerance(t)
		y := rapid.Float64Range(-300, 300).Draw(t, "y")
		u := rapid.Float64Range(1e-6, 100).Draw(t, "u")
		p := rapid.Float64Range(0.51, 0.999).Draw(t, "p")
		pc, err := ConformanceProbability(y, u, tolerance)
		if err != nil || !(pc >= 0 && pc <= 1) {
			t.Fatalf("pc %v, error %v", pc, err)
		}
		decision, err := Decide(y, u, tolerance, p)
		if err != nil {
			t.Fatal(err)
		}
		accept, err := Acceptance(u, tolerance, p)
		if errors.Is(err, ErrNoAcceptance) {
			if decision == Conforming {
				t.Fatalf("conforming, but %v", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		slack := 1e-9 * (1 + math.Abs(y))
		inside := accept.Lower+slack <= y && y <= accept.Upper-slack
		outside := y < accept.Lower-slack || y > accept.Upper+slack
		if (inside && decision != Conforming) || (outside && decision == Conforming) {
			t.Fatalf("y %v in %v is %v", y, accept, decision)
		}
	})
}

func TestGlobalRisk(t *testing.T) {
	for _, c := range []struct {
		name                  string
		items                 Process
		u                     float64
		tolerance, acceptance Tolerance
		consumer, producer    float64 // R 4.2.2 integrate
	}{
		// resistors of JCGM 106:2012 9.5.4, ohm; printed 1 % and 7 % (from memory)
		{"resistors", Process{1500, 0.12}, 0.04, Tolerance{1499.8, 1500.2}, Tolerance{1499.82, 1500.18},
			0.0098782915217794, 0.0690265104615649},
		{"resistors, no guard band", Process{1500, 0.12}, 0.04, Tolerance{1499.8, 1500.2}, Tolerance{1499.8, 1500.2},
			0.018942206717024, 0.037207800178136},
		{"latency", Process{2.4, 0.3}, 0.05, AtMost(3), AtMost(2.917757319),
			0.00016648784184181, 0.02175884845126633},
		// Sheppard: P(X > 0, Y < 0) = arccos(rho)/(2 pi), rho = sd/hypot(sd, u)
		{"limit at the mean", Process{0, 1}, 0.5, AtMost(0), AtMost(0),
			math.Atan(0.5) / (2 * math.Pi), math.Atan(0.5) / (2 * math.Pi)},
		{"limit at the mean, poor gauge", Process{5, 0.01}, 3, AtLeast(5), AtLeast(5),
			math.Atan(300) / (2 * math.Pi), math.Atan(300) / (2 * math.Pi)},
		{"limit at the mean, fine gauge", Process{5, 3}, 0.001, AtLeast(5), AtLeast(5),
			math.Atan(0.001/3) / (2 * math.Pi), math.Atan(0.001/3) / (2 * math.Pi)},
	} {
		risk, err := GlobalRisk(c.items, c.u, c.tolerance, c.acceptance)
		if err != nil {
			t.Fatal(c.name, err)
		}
		near(t, c.name+" consumer", risk.Consumer, c.consumer, 1e-9)
		near(t, c.name+" producer", risk.Producer, c.producer, 1e-9)
	}
}

func TestGlobalRiskRefuses(t *testing.T) {
	good := AtMost(3)
	for _, c := range []struct {
		name       string
		items      Process
		u          float64
		acceptance Tolerance
		want       string
	}{
		{"zero sd", Process{1, 0}, 1, good, "process sd is 0"},
		{"NaN sd", Process{1, math.NaN()}, 1, good, "process sd is NaN"},
		{"NaN mean", Process{math.NaN(), 1}, 1, good, "y is NaN"},
		{"zero u", Process{1, 1}, 0, good, "u is 0"},
		{"acceptance", Process{1, 1}, 1, Tolerance{3, 2}, "acceptance interval: lower limit is 3"},
	} {
		_, err := GlobalRisk(c.items, c.u, good, c.acceptance)
		refused(t, c.name, err, c.want)
	}
	_, err := GlobalRisk(Process{1, 1}, 1, Tolerance{3, 2}, good)
	refused(t, "tolerance", err, "lower limit is 3")
}

// Accepted items are conforming and accepted, or the consumer's risk:
// P(accepted) = P(conforming) - producer + consumer, both in closed form.
func TestGlobalRiskBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		items := Process{rapid.Float64Range(-50, 50).Draw(t, "mean"), rapid.Float64Range(0.01, 50).Draw(t, "sd")}
		u := rapid.Float64Range(0.01, 50).Draw(t, "u")
		tolerance, acceptance := anyTolerance(t), anyTolerance(t)
		risk, err := GlobalRisk(items, u, tolerance, acceptance)
		if err != nil {
			t.Fatal(err)
		}
		accepted := acceptance.mass(items.Mean, math.Hypot(items.SD, u))
		conforming := tolerance.mass(items.Mean, items.SD)
		if d := accepted - conforming + risk.Producer - risk.Consumer; math.Abs(d) > 1e-10 {
			t.Fatalf("risks %+v are out of balance by %v", risk, d)
		}
		if risk.Consumer < -1e-15 || risk.Producer < -1e-15 || risk.Consumer+risk.Producer > 1+1e-10 {
			t.Fatalf("risks %+v", risk)
		}
	})
}
