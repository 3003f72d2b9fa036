package virtual

import (
	"math"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

// Counts of a sensor under water at 25 °C. The gap: d 0.5 mm, w 10 mm, h 0.1 mm
// and n 10 make 1 kΩ at 0.05 S/m and 10 kΩ at 0.005 S/m (computed from
// R = d/(σ w h n)). The comb: N 20, L 10 mm, w = g, bare in deep water gains
// 66.53 pF (computed from Igreja and Dias, Sens. Actuators A 112 (2004) 291).
func TestSensorCounts(t *testing.T) {
	gaps := SensorModel{Kind: Conductive, Gaps: 10, Gap: 500 * physic.MicroMetre, Length: 10 * physic.MilliMetre,
		Reference: physic.KiloOhm, FullScale: 4096, DriftTime: time.Hour}
	comb := SensorModel{Kind: Capacitive, Fingers: 20, Width: 500 * physic.MicroMetre, Gap: 500 * physic.MicroMetre,
		Length: 10 * physic.MilliMetre, CountsPerPF: 100, DriftTime: time.Hour}
	const millisiemensPerMetre = rig.Conductivity(1e6)
	for _, test := range []struct {
		name         string
		m            SensorModel
		conductivity rig.Conductivity
		cover        float64
		depth        physics.Metre
		want, within float64
	}{
		{"1 kΩ over 1 kΩ", gaps, 50 * millisiemensPerMetre, 1, 0.1e-3, 2048, 1e-9},
		{"10 kΩ over 1 kΩ", gaps, 5 * millisiemensPerMetre, 1, 0.1e-3, 4096.0 / 11, 1e-9},
		{"half under water", gaps, 50 * millisiemensPerMetre, 0.5, 0.1e-3, 4096.0 / 3, 1e-9},
		{"deeper than the gap", gaps, 50 * millisiemensPerMetre, 1, 5e-3, 4096 * 5.0 / 6, 1e-9},
		{"a drop that lands", gaps, 50 * millisiemensPerMetre, 0, physics.Metre(math.Inf(1)), 0, 0},
		{"dry gap", gaps, 50 * millisiemensPerMetre, 0, 0, 0, 0},
		{"deep water on the comb", comb, 0, 1, 1, 6653, 0.5},
		{"on half of it", comb, 0, 0.5, 1, 3326.5, 0.5},
		{"dry comb", comb, 0, 0, 0, 0, 0},
	} {
		c := Default()
		c.Chamber.RoomTemp = physic.ZeroCelsius + 25*physic.Kelvin
		c.Water.Conductivity = test.conductivity
		d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
		s, err := newSensor(d.b.w, test.m)
		if err != nil {
			t.Fatal(err)
		}
		near(t, test.name, s.wetCounts(test.cover, test.depth, 0), test.want, test.within)
	}
}

// Noise and drift have the standard deviations that the model states.
func TestSensorNoise(t *testing.T) {
	p := readProfile(t, "testdata/conductive.yaml")
	p.Model.Sensor.Dry = 1000
	const n = 4000
	for _, test := range []struct {
		name string
		step time.Duration // between readings
		want float64
	}{
		{"at once", 0, 3},                  // noise alone
		{"hours apart", 10 * time.Hour, 5}, // noise and drift: √(3² + 4²)
	} {
		m := p.Model.Sensor
		m.Noise, m.Drift = 3, 4
		d := newDriver(t, Default(), p, 1)
		s, err := newSensor(d.b.w, m)
		if err != nil {
			t.Fatal(err)
		}
		var sum, squares float64
		for range n {
			d.b.w.now = d.b.w.now.Add(test.step)
			v := float64(s.read())
			sum += v
			squares += (v - 1000) * (v - 1000)
		}
		mean := sum/n - 1000
		sd := math.Sqrt(squares/n - mean*mean)
		// A standard deviation of n readings scatters by 1/√(2n); rounding adds 1/12.
		near(t, test.name, sd, math.Sqrt(test.want*test.want+1.0/12), 4*test.want/math.Sqrt(2*n))
	}
}

// A DUT that starts with a wet sensor takes that for dry, until it has dried:
// then it detects water again.
func TestWetStart(t *testing.T) {
	d := newDriver(t, Default(), readProfile(t, "testdata/conductive.yaml"), 1)
	d.dose(3*rig.Millilitre, 30*rig.MlPerMin)
	d.power()
	if _, ok := d.edge(rig.Detect, 1, 10*time.Second); ok {
		t.Error("a sensor that was wet at start-up is detected")
	}
	d.dry()
	d.run(5 * time.Second)
	d.dose(100*rig.Microlitre, 30*rig.MlPerMin)
	if _, ok := d.edge(rig.Detect, 1, 4*time.Second); !ok {
		t.Error("water is not detected after the sensor has dried")
	}
}
