package calibration

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"drench/rig"
	"drench/rig/config"
)

// leastSwitches is how many operations a calibration of the dip switch takes.
const leastSwitches = 5

// Switch is how long the dip switch takes: it is switched to the dip rail and
// back, and the rail is read fast meanwhile.
type Switch struct {
	// Delays are from the command to the last time the rail passed the middle
	// between the two levels, so that bounce is in them.
	Delays []time.Duration `yaml:"delays" json:"delays"`
	// Apart is the longest time between two readings of the rail.
	Apart  time.Duration `yaml:"apart" json:"apart"`
	Result SwitchResult  `yaml:"result" json:"result"`
}

// SwitchResult is what the operations give.
type SwitchResult struct {
	Operate time.Duration `yaml:"operate" json:"operate"` // mean
	U       time.Duration `yaml:"u" json:"u"`             // of one operation
	Longest time.Duration `yaml:"longest" json:"longest"` // that one took, at the most
}

func (c Switch) data() problems {
	var p problems
	p.refuse(len(c.Delays) < leastSwitches, fmt.Sprintf("%d delays", len(c.Delays)), fmt.Sprintf("%d or more", leastSwitches), "delays")
	for i, d := range c.Delays {
		p.refuse(d < 0, "a delay is negative", "the time from the command on", "delays", strconv.Itoa(i))
	}
	p.refuse(c.Apart <= 0, "apart is not above 0", "the time between readings of the rail", "apart")
	return p
}

// evaluate: a delay ends somewhere between two readings (rectangular, JCGM
// 100:2008, 4.3.7); it is taken to end in the middle.
func (c Switch) evaluate() (SwitchResult, error) {
	mean, sd, err := summary(c.Delays)
	longest := time.Duration(0)
	for _, d := range c.Delays {
		longest = max(longest, d)
	}
	return SwitchResult{
		Operate: time.Duration(math.Round(max(mean-float64(c.Apart)/2, 0))),
		U:       time.Duration(math.Ceil(math.Hypot(sd, float64(c.Apart)/math.Sqrt(12)))),
		Longest: longest,
	}, err
}

// Check implements [config.Checker].
func (c Switch) Check() []config.Problem {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r, err := c.evaluate()
	if err != nil {
		p.refuse(true, err.Error(), "delays that can be evaluated", "delays")
		return p
	}
	p.results([]value{
		{"operate", rig.Of(c.Result.Operate), rig.Of(r.Operate), int64(r.U)}, {"u", rig.Of(c.Result.U), rig.Of(r.U), int64(r.U)},
		{"longest", rig.Of(c.Result.Longest), rig.Of(r.Longest), int64(r.U)},
	})
	return p
}

func (c *Switch) compute() (err error) {
	if err := c.data().first(); err != nil {
		return err
	}
	c.Result, err = c.evaluate()
	return err
}
