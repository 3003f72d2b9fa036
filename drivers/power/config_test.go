package power

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

const file = `
power:
  bus: "1"
  address: "0x40"
  shunt: 0.1 ohm
  max_current: 400 mA
  max_voltage: 5 V
  average: 32
  zero: 100 uA
  every: 20 ms
  stale: 300 ms
`

func TestRigFile(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"", "", ""},
		{`bus: "1"`, `bus: ""`, "rig.yaml:3:3: bus is missing"},
		{`"0x40"`, `"0x03"`, `rig.yaml:4:3: address is "0x03"`},
		{"shunt: 0.1 ohm", "shunt: 0 ohm", "shunt is missing or not above 0"},
		{"max_current: 400 mA", "max_current: 0 mA", "max_current is missing or not above 0"},
		{"max_current: 400 mA", "max_current: 4 A", "max_current makes 400 mV over the shunt"},
		{"max_current: 400 mA", "max_current: 1 mA", "max_current makes 100 µV over the shunt"},
		{"max_voltage: 5 V", "max_voltage: 33 V", "max_voltage is 33 V"},
		{"max_voltage: 5 V", "max_voltage: 0 V", "max_voltage is 0 V"},
		{"average: 32", "average: 3", "average is 3"},
		{"every: 20 ms", "every: 17 ms", "every is 17ms; expected 17.552ms or more"},
		{"stale: 300 ms", "stale: 30 ms", "stale is 30ms"},
	} {
		var got struct {
			Power Config `yaml:"power"`
		}
		err := config.Decode("rig.yaml", []byte(strings.Replace(file, c.old, c.new, 1)), &got)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.new, err, c.want)
		}
		want := Config{"1", "0x40", 100 * physic.MilliOhm, 400 * physic.MilliAmpere, 5 * physic.Volt, 32,
			100 * physic.MicroAmpere, 20 * time.Millisecond, 300 * time.Millisecond}
		if c.want == "" && got.Power != want {
			t.Errorf("got %+v, want %+v", got.Power, want)
		}
	}
}

func TestWhatItSees(t *testing.T) {
	for _, c := range []struct {
		average  int
		every    time.Duration
		cycle    time.Duration
		coverage float64
	}{
		{0, 0, 9042 * time.Microsecond, 8.51 / 9.042},
		{1, 0, 1064 * time.Microsecond, 0.532 / 2}, // the bus has no time for more
		{128, 0, 68632 * time.Microsecond, 68.1 / 68.632},
		{16, 100 * time.Millisecond, 9042 * time.Microsecond, 0.0851},
	} {
		cfg := good
		cfg.Average, cfg.Every = c.average, c.every
		if got := cfg.Cycle(); got != c.cycle {
			t.Errorf("average %d: cycle %v, want %v", c.average, got, c.cycle)
		}
		if got := float64(cfg.Coverage()) / 1e9; math.Abs(got-c.coverage) > 1e-9 {
			t.Errorf("average %d, every %v: coverage %v, want %v", c.average, c.every, got, c.coverage)
		}
	}
	if got := good.Resolution(); got != 100*physic.MicroAmpere {
		t.Errorf("resolution %v", got)
	}
}

// Pulses come at random before a monitor that looks at its windows; the
// scatter of the energy is what PulseU says, or a little less as a pulse can be
// seen in part, and the mean is right.
func TestPulseU(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const trials, width = 4000, 0.02 // of a cycle
	for _, c := range []struct {
		coverage float64
		pulses   int
	}{{0.5, 30}, {0.266, 100}, {0.9, 60}} {
		// seen is the part of a pulse that begins at a phase of the cycle and falls
		// into this window or the next.
		seen := func(phase float64) float64 {
			here := max(0, min(phase+width, c.coverage)-phase)
			return (here + max(0, phase+width-1)) / width
		}
		var sum, squares float64
		for range trials {
			share := 0.0
			for range c.pulses { // what is seen stands for the whole cycle
				share += seen(random.Float64()) / c.coverage / float64(c.pulses)
			}
			sum += share
			squares += share * share
		}
		mean := sum / trials
		u := math.Sqrt(squares/trials - mean*mean)
		want := float64(PulseU(rig.Share(c.coverage*1e9), c.pulses)) / 1e9
		// The standard error of a standard deviation is 1/sqrt(2 trials) of it; 4 of them.
		tolerance := 4 / math.Sqrt(2*trials)
		if u > want*(1+tolerance) || u < want*(0.95-tolerance) || math.Abs(mean-1) > 4*want/math.Sqrt(trials) {
			t.Errorf("coverage %v, %d pulses: mean %v, scatter %v; want 1 and %v", c.coverage, c.pulses, mean, u, want)
		}
	}
	if PulseU(1e9, 10) != 0 || PulseU(0, 10) != math.MaxInt64 || PulseU(1e9, 0) != math.MaxInt64 {
		t.Error("what is always seen has no scatter, and what never is has no bound")
	}
}
