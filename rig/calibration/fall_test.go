package calibration

import (
	"math"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// aFall has a gate 8 mm and a sensor 200 mm below the drop. In vacuum the fall
// between them is √(0.4/9.80665) - √(0.016/9.80665) = 201.961 - 40.392 =
// 161.569 ms, worked out by hand; drag adds 3.0 ms at the most over 200 mm
// (see physics.FallTimeInAir), of which half is taken.
func aFall(differences ...time.Duration) *Fall {
	return &Fall{Gate: 8 * physic.MilliMetre, Sensor: 200 * physic.MilliMetre, HeightU: 500 * physic.MicroMetre, Drop: 16667,
		Witness: rig.LagCal{Lag: time.Millisecond, U: time.Millisecond}, Differences: differences}
}

func TestFall(t *testing.T) {
	c := aFall()
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	fall := float64(c.Result.Fall) / 1e6
	if fall < 161.569 || fall > 161.569+1.5 {
		t.Errorf("falls for %v, want 161.569 ms and half of what air adds", c.Result.Fall)
	}
	// By hand: heights 0.5 mm/√(2·9.80665·0.008) = 1.262 ms and 0.252 ms; g 0.124 ms.
	if u := float64(c.Result.FallU) / 1e6; u < math.Hypot(1.262, 0.252) || u > 1.6 {
		t.Errorf("u is %v", c.Result.FallU)
	}
	at := c.Result.Fall + time.Millisecond
	for _, test := range []struct {
		off  time.Duration
		want string
	}{{0, ""}, {2 * time.Millisecond, ""}, {-10 * time.Millisecond, "drops take"}, {20 * time.Millisecond, "measure the heights again"}} {
		c := aFall(at+test.off, at+test.off+100*time.Microsecond, at+test.off, at+test.off, at+test.off)
		err := c.compute()
		if (err == nil) != (test.want == "") || err != nil && !strings.Contains(err.Error(), test.want) {
			t.Errorf("drops that are %v off: %v", test.off, err)
		}
	}
}

func TestWitness(t *testing.T) {
	c := &Witness{Gate: rig.GateCal{Fall: 160 * time.Millisecond, FallU: time.Millisecond}}
	for _, ms := range []float64{162.0, 162.2, 161.8, 162.1, 161.9} {
		c.Differences = append(c.Differences, time.Duration(ms*1e6))
	}
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	// By hand: mean 162 ms, s = √(0.1/4) = 0.158 ms, u = √(0.025·1.2 + 1) = 1.0149 ms.
	if c.Result.Lag != 2*time.Millisecond || math.Abs(float64(c.Result.U)/1e6-1.0149) > 1e-4 {
		t.Errorf("%+v", c.Result)
	}
	c.Gate.Fall = 170 * time.Millisecond
	if err := c.compute(); err == nil || !strings.Contains(err.Error(), "before they can be down") {
		t.Errorf("drops that are faster than falling: %v", err)
	}
}

func TestSwitch(t *testing.T) {
	c := &Switch{Apart: 12 * time.Microsecond}
	for _, us := range []int{56, 58, 54, 57, 55} {
		c.Delays = append(c.Delays, time.Duration(us)*time.Microsecond)
	}
	if err := c.compute(); err != nil {
		t.Fatal(err)
	}
	// By hand: mean 56 µs less 6, u = √(2.5 + 12) = 3.808 µs.
	if r := c.Result; r.Operate != 50*time.Microsecond || math.Abs(float64(r.U)-3808) > 1 || r.Longest != 58*time.Microsecond {
		t.Errorf("%+v", r)
	}
}

// TestNewKinds: each is written, read back, and applied; one that was changed
// is refused.
func TestNewKinds(t *testing.T) {
	delays := []time.Duration{161e6, 162e6, 163e6, 162e6, 162e6}
	cal := rig.Calibration{}
	for what, r := range map[string]Record{
		rig.DropGate: {DropGate: aFall(delays...)},
		rig.Witness:  {Witness: &Witness{Gate: rig.GateCal{Fall: 160e6, FallU: 1e6}, Differences: delays}},
		"dip switch": {Switch: &Switch{Delays: delays, Apart: 1e6}},
	} {
		r.By, r.Instrument, r.Date, r.Expires = "me", "drops", "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z"
		got, err := New(what+".yaml", r)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if got.What() != what {
			t.Errorf("%s calls itself %s", what, got.What())
		}
		cal = Apply(cal, got)
		for _, change := range [][2]string{{"sensor: 200 mm", "sensor: 203 mm"}, {"- 163 ms", "- 199 ms"}} {
			src := got.Source
			src.Text = []byte(strings.Replace(string(src.Text), change[0], change[1], 1))
			if _, err := Read(src); (err == nil) != (string(src.Text) == string(got.Source.Text) || what == rig.DropGate && change[0][0] == '-') {
				t.Errorf("%s with %s: %v", what, change[1], err)
			}
		}
	}
	if cal.Gate.Fall == 0 || cal.Gate.FallU == 0 || cal.Witness.Lag != 2*time.Millisecond || cal.Supply.Switch != 163*time.Millisecond {
		t.Errorf("%+v", cal)
	}
}
