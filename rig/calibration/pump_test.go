package calibration

import (
	"math"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"

	"pgregory.net/rapid"
)

// aPump has two times of ten weighings each: the worked example, and the same
// scatter on 9 s more at 110.3 µl/s.
func aPump() *Pump {
	p := &Pump{Channel: rig.PumpDrip, Flow: 20 * rig.MlPerMin, Air: room(21.5), Balance: Balance{U: 0.1}}
	for i, m := range worked {
		p.Weighings = append(p.Weighings, Weighing{On: 3 * time.Second, Mass: m, Drops: 60}, Weighing{On: 12 * time.Second, Mass: worked[9-i] + 990, Drops: 119})
	}
	return p
}

func TestPumpFit(t *testing.T) {
	p := aPump()
	if err := p.compute(); err != nil {
		t.Fatal(err)
	}
	const z, mean, s = 1.0031688132560, 997.751701664, 1.635435254 // of the worked example
	// With two times the line goes through both means: the difference of 990 mg
	// in 9 s is the rate, and its u is that of the difference of two means of ten.
	rate := 990 * z / 9
	near(t, "rate in µl/s", float64(p.Result.Rate)/60e3, rate, 1e-5)
	scatter := s * math.Sqrt(2.0/10) / 9 // both times scatter alike
	balance := rate * 0.1 / (997.2 + 990)
	// Either mean may be off by a drop either way, as a rectangle a drop wide.
	drop := (10*mean + 10*(mean+990*z)) / (10 * (60 + 119))
	whole := drop / math.Sqrt(12) * math.Sqrt2 / 9
	near(t, "u(rate) in µl/s", float64(p.Result.RateU)/60e3, math.Hypot(math.Hypot(scatter, balance), whole), 2e-5)
	near(t, "offset in µl", float64(p.Result.Offset)/1e3, mean-3*rate, 1e-3)
	near(t, "drop in µl", float64(p.Result.Drop)/1e3, drop, 1e-3)
	doses, err := p.Doses()
	if err != nil || len(doses) != 2 || doses[0].On != 3*time.Second || doses[1].On != 12*time.Second {
		t.Fatalf("%+v, %v", doses, err)
	}
	near(t, "nominal", float64(doses[0].Nominal), 1000, 1e-9)
	near(t, "e_s", float64(doses[0].Systematic), -2.248298336, 1e-9)
}

// A drop that was not counted is in the uncertainty as well, if its volume is
// known, and a stream has none.
func TestPumpHanging(t *testing.T) {
	counted, known, stream := aPump(), aPump(), aPump()
	for i := range known.Weighings {
		known.Weighings[i].Drops, stream.Weighings[i].Drops = 0, 0
	}
	for _, p := range []*Pump{counted, known, stream} {
		known.Hanging = counted.Result.Drop
		if err := p.compute(); err != nil {
			t.Fatal(err)
		}
	}
	if known.Result.RateU != counted.Result.RateU || known.Result.Drop != 0 || stream.Result.RateU >= known.Result.RateU {
		t.Errorf("u(rate): counted %v, known %v, stream %v", counted.Result.RateU, known.Result.RateU, stream.Result.RateU)
	}
}

// A pump without scatter gives its rate, its offset and its drop to the
// rounding of the results.
func TestPumpExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		air := room(rapid.Float64Range(15, 30).Draw(t, "temperature"))
		z, _, err := air.Z()
		if err != nil {
			t.Fatal(err)
		}
		rate := rapid.Float64Range(5, 1000).Draw(t, "µl/s")
		offset := rapid.Float64Range(-4, 50).Draw(t, "offset")
		p := Pump{Channel: rig.PumpDrip, Flow: rig.MlPerMin, Air: air, Balance: Balance{U: 0.1}}
		for _, s := range rapid.SliceOfNDistinct(rapid.IntRange(1, 60), 2, 5, rapid.ID).Draw(t, "times") {
			for range rapid.IntRange(2, 4).Draw(t, "n") {
				v := offset + rate*float64(s)
				p.Weighings = append(p.Weighings, Weighing{On: time.Duration(s) * time.Second, Mass: Milligram(v / z)})
			}
		}
		if err := p.compute(); err != nil {
			t.Fatal(err)
		}
		if got := float64(p.Result.Rate) / 60e3; math.Abs(got-rate) > 2e-5 {
			t.Fatalf("rate %v, want %v", got, rate)
		}
		if got := float64(p.Result.Offset) / 1e3; math.Abs(got-offset) > 2e-3 {
			t.Fatalf("offset %v, want %v", got, offset)
		}
		if p.Result.Drop != 0 {
			t.Fatalf("a drop of %v that nobody counted", p.Result.Drop)
		}
	})
}

func TestPumpRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Pump)
		want  string
	}{
		{"one time", func(p *Pump) {
			for i := range p.Weighings {
				p.Weighings[i].On = 3 * time.Second
			}
		}, "weighings of 1 times"},
		{"one of a time", func(p *Pump) { p.Weighings = append(p.Weighings, Weighing{On: time.Second, Mass: 1}) }, "1 weighing of 1s"},
		{"none", func(p *Pump) { p.Weighings = nil }, "weighings of 0 times"},
		{"negative mass", func(p *Pump) { p.Weighings[3].Mass = -1 }, "mass_mg is -1"},
		{"NaN", func(p *Pump) { p.Weighings[3].Mass = Milligram(math.NaN()) }, "mass_mg is NaN"},
		{"no time", func(p *Pump) { p.Weighings[3].On = 0 }, "on is not above 0"},
		{"negative drops", func(p *Pump) { p.Weighings[3].Drops = -1 }, "drops is negative"},
		{"negative drop", func(p *Pump) { p.Hanging = -1 }, "hanging is negative"},
		{"another channel", func(p *Pump) { p.Channel = rig.SupplySet }, `channel is "supply"`},
		{"no flow", func(p *Pump) { p.Flow = 0 }, "flow is not above 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := aPump()
			c.spoil(p)
			r := aRecord()
			r.Pump = p
			if _, err := New("r.yaml", r); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v; want %q", err, c.want)
			}
		})
	}
	r := aRecord()
	r.Pump = aPump()
	for i := range r.Pump.Weighings {
		r.Pump.Weighings[i].Mass = 1000
	}
	if _, err := New("r.yaml", r); err == nil || !strings.Contains(err.Error(), "rate is 0") {
		t.Errorf("a pump whose volume does not grow: %v", err)
	}
}

func TestPumpRemarks(t *testing.T) {
	p := aPump()
	if got := p.Remarks(); len(got) != 0 {
		t.Errorf("%q on weighings by the book", got)
	}
	p.Weighings = p.Weighings[:8]
	p.Flow = rig.MlPerMin / 2
	p.Air = room(12)
	got := strings.Join(p.Remarks(), "\n")
	for _, want := range []string{"4 weighings of 3s", "4 weighings of 12s", "doses of 25 µl", "12 °C"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
}

func aRecord() Record {
	return Record{By: "A. Tester", Date: "2026-01-02T03:04:05Z", Expires: "2027-01-02T03:04:05Z", Instrument: `balance "0.1 mg", no. 7: certificate 4`}
}

var _ config.Checker = Pump{}
