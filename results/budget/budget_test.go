package budget

import (
	"math"
	"testing"
	"time"

	"drench/results/measure"
	"drench/rig"
	"drench/rig/config"
)

func stock(t *testing.T) rig.Calibration {
	t.Helper()
	l, err := config.LoadRig("", map[string]any{"virtual": &struct{}{}})
	if err != nil {
		t.Fatal(err)
	}
	return l.Calibration
}

func TestStockRig(t *testing.T) {
	list, err := Of(stock(t))
	if err != nil {
		t.Fatal(err)
	}
	// By hand from the stock rig file: stamps 0.1 ms, witness 1 ms, fall 1 ms,
	// lag 20 ms; 2 % of a sixtieth of 10 ml and a drop of 16.667 µl over √12;
	// 1 % of 100 µW; 5 mV.
	want := map[string]float64{
		string(measure.FromWitness): 1e6 * math.Sqrt(0.01+0.01+1),
		string(measure.FromGate):    1e6 * math.Sqrt(0.01+0.01+1),
		string(measure.FromPump):    1e6 * math.Sqrt(0.01+400),
		measure.StartUp:             0.1e6,
		"dose":                      1e3 * math.Hypot(0.02*10e3/60, 16.667/math.Sqrt(12)),
		measure.MeanPower:           1e3,
		measure.DropOut:             5e6,
	}
	for _, b := range list {
		for _, key := range []string{b.How, b.Measure} {
			w, ok := want[key]
			if !ok {
				continue
			}
			delete(want, key)
			if math.Abs(b.U-w) > 1e-6*w {
				t.Errorf("%s by %s: u is %v, want %v", b.Measure, b.How, b.U, w)
			}
		}
		var shares float64
		for _, l := range b.Lines {
			shares += l.Share
		}
		if math.Abs(shares-1) > 1e-9 {
			t.Errorf("%s by %s: shares of the variance add up to %v", b.Measure, b.How, shares)
		}
		// Normal inputs: k = 1.96 for 95 % (JCGM 100, table G.1).
		if math.Abs(b.K-1.96) > 0.001 || math.Abs(b.Wide-b.K*b.U) > 1e-9*b.U {
			t.Errorf("%s by %s: k is %v", b.Measure, b.How, b.K)
		}
		if !b.Agrees {
			t.Errorf("%s by %s: Monte Carlo gives %v, the law of propagation %v", b.Measure, b.How, b.MonteCarlo, b.U)
		}
	}
	for key := range want {
		t.Errorf("no budget of %s", key)
	}
}

// The film's budget is for the film that a run's measure integrates: the flux
// of the same air over the same plate.
func TestFilm(t *testing.T) {
	list, err := Of(stock(t))
	if err != nil {
		t.Fatal(err)
	}
	b := list[len(list)-1]
	// By hand: 10 W/(m² K) over 1.2 kg/m³, 1005 J/(kg K) and 0.9 (Lewis number
	// to the 2/3) is 0.0092 m/s; from 17.5 g/m³ of vapour (23 °C, 85 %RH) to
	// 9.4 g/m³ (saturated, 10 °C) that makes 45 g/m² in ten minutes. Vapour
	// densities from psychrometric tables, from memory.
	if b.Measure != measure.Film || b.Value < 42e6 || b.Value > 48e6 {
		t.Errorf("%s of %v µg/m²; want about 45e6", b.Measure, b.Value)
	}
	if rel := b.U / b.Value; rel < 0.10 || rel > 0.15 {
		t.Errorf("relative uncertainty %v; want the 10 %% of the heat transfer and a little more", rel)
	}
}

// Where the model bends within the uncertainty, the check says that the law of
// propagation will not do: y = x² at 0 has sensitivity 0 beside a small linear
// part (the case of JCGM 101 9.4 in spirit).
func TestCheckFindsBend(t *testing.T) {
	var b Budget
	err := b.evaluate([]Input{{"x", rig.Level, 0, 1, ""}, {"offset", rig.Level, 0, 0.1, ""}}, func(x []float64) float64 { return x[0]*x[0] + x[1] })
	if err != nil {
		t.Fatal(err)
	}
	// x² of a standard normal has standard deviation √2.
	if b.Agrees || math.Abs(b.U-0.1) > 1e-9 || math.Abs(b.MonteCarlo-math.Sqrt(2.01)) > 0.02 {
		t.Errorf("u %v, Monte Carlo %v, agrees %v; want 0.1, √2.01, false", b.U, b.MonteCarlo, b.Agrees)
	}
}

func TestNothingKnown(t *testing.T) {
	c := stock(t)
	c.Stamp.U, c.Witness.U = 0, 0
	if _, err := Of(c); err == nil {
		t.Error("a budget without any uncertainty was drawn up")
	}
	c.Stamp.U = time.Millisecond
	if _, err := Of(c); err != nil {
		t.Error(err)
	}
}
