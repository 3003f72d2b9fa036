package calibration

import (
	"fmt"
	"math"
	"time"

	"drench/results/stats"
	"drench/results/stats/uncertainty"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/physics"

	"periph.io/x/conn/v3/physic"
)

// leastDrops is how many drops a calibration by falling drops takes.
const leastDrops = 5

// Fall is how long a drop takes from the gate to the sensor: by the heights,
// checked by drops that the witness electrode saw as well.
type Fall struct {
	// Gate and Sensor are how far below the lower end of the hanging drop the
	// beam and the sensor are; HeightU is the standard uncertainty of each.
	Gate    physic.Distance `yaml:"gate" json:"gate"`
	Sensor  physic.Distance `yaml:"sensor" json:"sensor"`
	HeightU physic.Distance `yaml:"height_u" json:"height_u"`
	Drop    rig.Volume      `yaml:"drop" json:"drop"`
	// Witness is what the rig file says of the electrode, Differences are from
	// the drop in the gate to the electrode's edge; there may be none.
	Witness     rig.LagCal      `yaml:"witness" json:"witness"`
	Differences []time.Duration `yaml:"differences,omitempty" json:"differences,omitempty"`
	Result      FallResult      `yaml:"result" json:"result"`
}

// FallResult is what the heights give.
type FallResult struct {
	Fall  time.Duration `yaml:"fall" json:"fall"`
	FallU time.Duration `yaml:"fall_u" json:"fall_u"`
}

// Witness is how late the electrode beside the sensor tells of water: drops that
// it saw after the gate, less their fall.
type Witness struct {
	Gate        rig.GateCal     `yaml:"drop_gate" json:"drop_gate"`
	Differences []time.Duration `yaml:"differences" json:"differences"`
	Result      rig.LagCal      `yaml:"result" json:"result"`
}

func (c Fall) data() problems {
	var p problems
	p.refuse(c.Gate <= 0, "gate is not above 0", `the gate's depth below the drop, such as "8 mm"`, "gate")
	p.refuse(c.Sensor <= c.Gate, fmt.Sprintf("sensor is %v", rig.Of(c.Sensor)), "more than gate", "sensor")
	p.refuse(c.HeightU <= 0 || c.HeightU >= c.Gate, fmt.Sprintf("height_u is %v", rig.Of(c.HeightU)), "above 0 and less than gate", "height_u")
	p.refuse(c.Drop <= 0, "drop is not above 0", `the volume of a drop, such as "16.667 ul"`, "drop")
	p.refuse(len(c.Differences) > 0 && len(c.Differences) < leastDrops, fmt.Sprintf("%d differences", len(c.Differences)), fmt.Sprintf("none, or %d or more", leastDrops), "differences")
	return p
}

// evaluate is the difference of two falls from rest, √(2h/g), with the standard
// acceleration of fall. Its uncertainty takes the heights (sensitivity
// 1/√(2gh)), the acceleration, which is from 9.780 to 9.832 m/s² on earth
// (rectangular; from memory), and the air: it makes the fall longer by somewhat
// between nothing and what a sphere's drag does, of which half is added.
func (c Fall) evaluate() (FallResult, error) {
	const g = 9.80665
	metre := func(d physic.Distance) float64 { return float64(d) / float64(physic.Metre) }
	gate, sensor, u := metre(c.Gate), metre(c.Sensor), metre(c.HeightU)
	fall := float64(physics.TransitTime(physics.Metre(gate), physics.Metre(sensor)))
	volume := physics.CubicMetre(float64(c.Drop) / 1e12)
	air := float64(physics.FallTimeInAir(physics.Metre(sensor), volume)-physics.FallTimeInAir(physics.Metre(gate), volume)) - fall
	combined, err := uncertainty.Combine([]uncertainty.Component{
		exact("gate", u, 1/math.Sqrt(2*g*gate)), exact("sensor", u, 1/math.Sqrt(2*g*sensor)),
		exact("acceleration", 0.026/math.Sqrt(3), fall/2/g), exact("air", air/math.Sqrt(12), 1),
	})
	return FallResult{Fall: time.Duration(math.Round((fall + air/2) * 1e9)), FallU: time.Duration(math.Ceil(combined.U * 1e9))}, err
}

// agree holds the drops against the heights.
func (c Fall) agree(r FallResult) error {
	if len(c.Differences) == 0 {
		return nil
	}
	mean, sd, err := summary(c.Differences)
	if err != nil {
		return err
	}
	off := mean - float64(r.Fall+c.Witness.Lag)
	if u := math.Hypot(math.Hypot(float64(r.FallU), float64(c.Witness.U)), sd/math.Sqrt(float64(len(c.Differences)))); math.Abs(off) > 3*u {
		return fmt.Errorf("drops take %v from the gate to the witness, and heights and the witness's lag give %v, with a standard uncertainty of %v; measure the heights again, and look whether the witness lies as deep as the sensor",
			time.Duration(mean).Round(time.Microsecond), r.Fall+c.Witness.Lag, time.Duration(u).Round(time.Microsecond))
	}
	return nil
}

func summary(d []time.Duration) (mean, sd float64, err error) {
	x := make([]float64, len(d))
	for i := range d {
		x[i] = float64(d[i])
	}
	s, err := stats.Summarize(x)
	return s.Mean, s.SD, err
}

// Check implements [config.Checker].
func (c Fall) Check() []config.Problem {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r, err := c.evaluate()
	if err == nil {
		err = c.agree(r)
	}
	if err != nil {
		p.refuse(true, err.Error(), "heights that the drops agree with", "differences")
		return p
	}
	p.results([]value{
		{"fall", rig.Of(c.Result.Fall), rig.Of(r.Fall), int64(r.FallU)}, {"fall_u", rig.Of(c.Result.FallU), rig.Of(r.FallU), int64(r.FallU)},
	})
	return p
}

func (c *Fall) compute() (err error) {
	if err := c.data().first(); err != nil {
		return err
	}
	if c.Result, err = c.evaluate(); err == nil {
		err = c.agree(c.Result)
	}
	return err
}

func (c Witness) data() problems {
	var p problems
	p.refuse(c.Gate.Fall <= 0 || c.Gate.FallU <= 0, fmt.Sprintf("the fall is %v with an uncertainty of %v", c.Gate.Fall, c.Gate.FallU),
		"both above 0; drench calibrate timing --of gate finds them", "drop_gate")
	p.refuse(len(c.Differences) < leastDrops, fmt.Sprintf("%d differences", len(c.Differences)), fmt.Sprintf("%d or more", leastDrops), "differences")
	return p
}

// evaluate takes the mean difference less the fall for the lag. The uncertainty
// of one lag is the scatter, that of the mean, and the fall's (JCGM 100:2008,
// 5.1.2). Both edges are stamped alike: what stamps are late by cancels.
func (c Witness) evaluate() (rig.LagCal, error) {
	mean, sd, err := summary(c.Differences)
	if err != nil {
		return rig.LagCal{}, err
	}
	n := float64(len(c.Differences))
	u := math.Sqrt(sd*sd*(1+1/n) + math.Pow(float64(c.Gate.FallU), 2))
	lag := mean - float64(c.Gate.Fall)
	if lag < -2*u {
		return rig.LagCal{}, fmt.Errorf("the witness tells of drops %v before they can be down; look at the heights, or at what touches it", time.Duration(-lag))
	}
	return rig.LagCal{Lag: time.Duration(math.Round(max(lag, 0))), U: time.Duration(math.Ceil(u))}, nil
}

// Check implements [config.Checker].
func (c Witness) Check() []config.Problem {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r, err := c.evaluate()
	if err != nil {
		p.refuse(true, err.Error(), "differences that can be evaluated", "differences")
		return p
	}
	p.results([]value{{"lag", rig.Of(c.Result.Lag), rig.Of(r.Lag), int64(r.U)}, {"u", rig.Of(c.Result.U), rig.Of(r.U), int64(r.U)}})
	return p
}

func (c *Witness) compute() (err error) {
	if err := c.data().first(); err != nil {
		return err
	}
	c.Result, err = c.evaluate()
	return err
}
