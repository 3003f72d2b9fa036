package calibration

import (
	"math"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// aTiming has delays of 100 µs, less or more 20, from outputs bracketed to
// 12 µs, whose standard uncertainty is 12 µs/√12 (JCGM 100:2008, 4.3.7).
func aTiming(t *testing.T) *Timing {
	t.Helper()
	c := &Timing{Output: "spare_out", Input: "spare_in"}
	var delays, u []time.Duration
	for i := range 100 {
		delays = append(delays, time.Duration(100+20*(2*(i%2)-1))*time.Microsecond)
		u = append(u, 3464)
	}
	if err := c.Edges.SumUp(delays, u); err != nil {
		t.Fatal(err)
	}
	return c
}

func TestTiming(t *testing.T) {
	c := aTiming(t)
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	// The standard deviation of ± 20 µs in equal parts is 20 √(n/(n-1)).
	want := math.Hypot(20e3*math.Sqrt(100.0/99), 12e3/math.Sqrt(12))
	if c.Result.Lag != 100*time.Microsecond || math.Abs(float64(c.Result.U)-want) > 2 {
		t.Errorf("%+v, want u of %.0f ns", c.Result, want)
	}
	e := c.Edges
	if e.N != 100 || e.Min != 80*time.Microsecond || e.Max != 120*time.Microsecond || e.P99 != 120*time.Microsecond {
		t.Errorf("%+v", e)
	}
}

func TestTimingRefuses(t *testing.T) {
	e := Edges{Missed: 3}
	if err := e.SumUp(make([]time.Duration, 9), make([]time.Duration, 9)); err == nil || !strings.Contains(err.Error(), "missed: 3") {
		t.Errorf("nine edges: %v", err)
	}
	c := Timing{}
	if err := c.Edges.SumUp(make([]time.Duration, 12), make([]time.Duration, 12)); err != nil {
		t.Fatal(err)
	}
	if err := c.compute(); err == nil {
		t.Error("delays without scatter are taken")
	}
}

// traced steps a supply that answers late after a command and then moves as
// shape tells, from 0 to 1 in the time since.
func traced(from, to, noise float64, every time.Duration, shape func(time.Duration) float64) Step {
	volt := func(v float64) physic.ElectricPotential { return physic.ElectricPotential(math.Round(v * 1e9)) }
	s := Step{From: volt(from), To: volt(to)}
	for i := range 200 {
		at := time.Duration(i) * every
		wobble := noise * float64(1-2*(i%2))
		s.Trace = append(s.Trace, Point{at, volt(from + (to-from)*shape(at) + wobble)})
	}
	return s
}

// linear moves in ramp after late.
func linear(late, ramp time.Duration) func(time.Duration) float64 {
	return func(t time.Duration) float64 { return min(max(float64(t-late)/float64(ramp), 0), 1) }
}

func aSupply() *Supply {
	c := &Supply{LevelU: 2 * physic.MilliVolt, Band: 10 * physic.MilliVolt}
	for range 2 {
		c.Steps = append(c.Steps, traced(1, 4, 0, time.Millisecond, linear(15*time.Millisecond, 30*time.Millisecond)),
			traced(4, 1, 0, time.Millisecond, linear(15*time.Millisecond, 60*time.Millisecond)))
	}
	return c
}

func TestSupplyLinear(t *testing.T) {
	c := aSupply()
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	r := c.Result
	if r.SlewUp != 100*rig.VoltPerSec || r.SlewDown != 50*rig.VoltPerSec {
		t.Errorf("slew %v and %v, want 100 and 50 V/s", rig.Of(r.SlewUp), rig.Of(r.SlewDown))
	}
	// Two crossings, each between readings 1 ms apart: 24 ms × √2/√12.
	near(t, "u(slew up)", float64(r.SlewUpU)/1e9, 100*math.Sqrt(2.0/12)/24, 1e-6)
	if r.Settling != 75*time.Millisecond || r.RailError != 0 || r.RailU != 2*physic.MilliVolt {
		t.Errorf("settles in %v, error %v, u %v", r.Settling, r.RailError, r.RailU)
	}
}

// An exponential's transition from 10 to 90 % takes τ ln 9, and it is within a
// share p of its end after τ ln(1/p).
func TestSupplyExponential(t *testing.T) {
	const tau = 20 * time.Millisecond
	c := Supply{LevelU: physic.MilliVolt, Band: 10 * physic.MilliVolt}
	exponential := func(t time.Duration) float64 { return 1 - math.Exp(-float64(t)/float64(tau)) }
	for range 2 {
		c.Steps = append(c.Steps, traced(0, 2, 0, time.Millisecond, exponential), traced(2, 0, 0, time.Millisecond, exponential))
	}
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	slew := 0.8 * 2 / (tau.Seconds() * math.Log(9))
	near(t, "slew up", float64(c.Result.SlewUp)/1e9, slew, slew/500)
	near(t, "slew down", float64(c.Result.SlewDown)/1e9, slew, slew/500)
	near(t, "settling in ms", c.Result.Settling.Seconds()*1e3, tau.Seconds()*1e3*math.Log(200), 1)
}

// What a rail reading is off by counts in its uncertainty, as nothing corrects
// it: 3 mV off, 1 mV scatter either way, levels known to 2 mV.
func TestSupplyRailError(t *testing.T) {
	c := aSupply()
	for i, s := range c.Steps {
		for j := range s.Trace {
			c.Steps[i].Trace[j].Rail += 3*physic.MilliVolt + physic.MilliVolt*physic.ElectricPotential(1-2*(j%2))
		}
	}
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	n := 160.0 // the last 40 of 200 readings, of four steps
	near(t, "error in mV", float64(c.Result.RailError)/1e6, 3, 1e-3)
	near(t, "u in mV", float64(c.Result.RailU)/1e6, math.Sqrt(9+n/(n-1)+4), 1e-3)
}

func TestSupplyRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Supply)
		want  string
	}{
		{"one step up", func(c *Supply) { c.Steps = c.Steps[1:] }, "1 steps up and 2 down"},
		{"no steps", func(c *Supply) { c.Steps = nil }, "0 steps up and 0 down"},
		{"no move", func(c *Supply) { c.Steps[0].Trace = traced(1, 1, 0, time.Millisecond, linear(0, 1)).Trace }, "step 1: the rail went 0V on the way"},
		{"the wrong way", func(c *Supply) { c.Steps[0].Trace = c.Steps[1].Trace }, "step 1: the rail went -3V"},
		{"cut off", func(c *Supply) { c.Steps[1].Trace = c.Steps[1].Trace[:70] }, "step 2: the rail is not settled"},
		{"within a reading", func(c *Supply) {
			c.Steps[2].Trace = traced(1, 4, 0, time.Millisecond, linear(1, 1)).Trace
		}, "step 3: the rail moved within one reading"},
		{"time runs back", func(c *Supply) { c.Steps[0].Trace[5].At = 0 }, "at does not rise"},
		{"few points", func(c *Supply) { c.Steps[0].Trace = c.Steps[0].Trace[:9] }, "trace of 9 points"},
		{"levels of unknown uncertainty", func(c *Supply) { c.LevelU = 0 }, "level_u is not above 0"},
		{"no band", func(c *Supply) { c.Band = 0 }, "band is not above 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := aRecord()
			r.Supply = aSupply()
			c.spoil(r.Supply)
			if _, err := New("r.yaml", r); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v; want %q", err, c.want)
			}
		})
	}
}
