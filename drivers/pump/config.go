package pump

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"time"

	"drench/rig"
	"drench/rig/config"
)

// Config is the part of a rig file that says what drives a pump: one of these.
type Config struct {
	Relay   *RelayConfig   `yaml:"relay"`
	PWM     *PWMConfig     `yaml:"pwm"`
	Stepper *StepperConfig `yaml:"stepper"`
}

// RelayConfig is a pump that a relay or a switching transistor turns on and off.
type RelayConfig struct {
	Line string   `yaml:"line"` // output of the rig file
	Flow rig.Flow `yaml:"flow"` // that it delivers, from its calibration
	// Tolerance is how far from Flow a flow may be that is asked for.
	Tolerance rig.Share `yaml:"tolerance"`
}

// PWMConfig is a pump motor behind a transistor that the kernel's pulse-width
// modulator switches. The transistor must be off while its input is low or not
// driven at all: a pull-down, and no inverting stage.
type PWMConfig struct {
	// Chip is a folder of /sys/class/pwm, such as pwmchip0. Its number can
	// change with the kernel.
	Chip    string `yaml:"chip"`
	Channel int    `yaml:"channel"`
	// Period is that of the signal. Motors want some ten microseconds, beyond
	// hearing, where the transistor can follow.
	Period time.Duration `yaml:"period"`
	// Points are the calibration: flow against duty, both rising. Flows between
	// two points are interpolated; others can't be asked for.
	Points []PWMPoint `yaml:"points"`
}

// PWMPoint is the flow that was measured at a duty.
type PWMPoint struct {
	Duty rig.Share `yaml:"duty"`
	Flow rig.Flow  `yaml:"flow"`
}

// StepperConfig is a pump with a stepping motor behind a driver that takes step
// and direction. Steps are made by this program, see Stepper for its limits.
type StepperConfig struct {
	Step   string `yaml:"step"`   // output of the rig file: a step at each rising edge
	Dir    string `yaml:"dir"`    // output, "" if the direction is wired
	Enable string `yaml:"enable"` // output, 1 = the motor is powered; "" if there is none
	// Reverse pumps forward with dir at 0 instead of 1.
	Reverse bool `yaml:"reverse"`
	// StepsPerTurn counts microsteps; VolumePerTurn is from the calibration.
	StepsPerTurn  int        `yaml:"steps_per_turn"`
	VolumePerTurn rig.Volume `yaml:"volume_per_turn"`
	// MaxRate of steps: there is no ramp, so the motor must start at it. No
	// more than 500 Hz.
	MaxRate rig.Rate `yaml:"max_rate"`
	// Pulse is how long a step pulse lasts at least.
	Pulse time.Duration `yaml:"pulse"`
}

// Hertz in a rig.Rate, and the fastest that a program without real-time
// scheduling makes steps at an even pace (common practice, no source).
const (
	hertz    rig.Rate = 1e9
	mostRate          = 500 * hertz

	whole rig.Share = 1e9 // all of it
)

type problems []config.Problem

func (p *problems) refuse(bad bool, what, want string, path ...string) {
	if bad {
		*p = append(*p, config.Problem{Path: path, What: what, Want: want})
	}
}

// Check reports values that can't be right.
func (c Config) Check() []config.Problem {
	given := 0
	for _, have := range []bool{c.Relay != nil, c.PWM != nil, c.Stepper != nil} {
		if have {
			given++
		}
	}
	var p problems
	p.refuse(given != 1, fmt.Sprintf("%d drives are given", given), "one of relay, pwm, stepper")
	return p
}

// Check reports values that can't be right.
func (c RelayConfig) Check() []config.Problem {
	var p problems
	p.refuse(c.Line == "", "line is missing", "the output that switches the pump", "line")
	p.refuse(c.Flow <= 0, "flow is missing or not above 0", `the calibrated flow, such as "30 ml/min"`, "flow")
	p.refuse(c.Tolerance < 0 || c.Tolerance > whole/2, fmt.Sprintf("tolerance is %v", rig.Of(c.Tolerance)), "0 to 50 %", "tolerance")
	return p
}

var chipName = regexp.MustCompile(`^pwmchip[0-9]{1,4}$`)

// Check reports values that can't be right.
func (c PWMConfig) Check() []config.Problem {
	var p problems
	p.refuse(!chipName.MatchString(c.Chip), fmt.Sprintf("chip is %q", c.Chip), "a folder of /sys/class/pwm, such as pwmchip0", "chip")
	p.refuse(c.Channel < 0, fmt.Sprintf("channel is %d", c.Channel), "0 or more", "channel")
	p.refuse(c.Period < time.Microsecond || c.Period > time.Second, fmt.Sprintf("period is %v", c.Period), "1 us to 1 s", "period")
	p.refuse(len(c.Points) == 0, "points are missing", "the duties and flows of a calibration", "points")
	var last PWMPoint
	for i, q := range c.Points {
		at := []string{"points", strconv.Itoa(i)}
		p.refuse(q.Duty > whole, fmt.Sprintf("duty is %v", rig.Of(q.Duty)), "up to 100 %", slices.Concat(at, []string{"duty"})...)
		p.refuse(q.Duty <= last.Duty || q.Flow <= last.Flow,
			fmt.Sprintf("duty %v and flow %v are not both above %v and %v", rig.Of(q.Duty), q.Flow, rig.Of(last.Duty), last.Flow),
			"points that rise in both", at...)
		last = q
	}
	return p
}

// Check reports values that can't be right.
func (c StepperConfig) Check() []config.Problem {
	var p problems
	p.refuse(c.Step == "", "step is missing", "the output that makes steps", "step")
	p.refuse(c.StepsPerTurn <= 0, "steps_per_turn is missing or not above 0", "the motor's steps times the driver's microsteps, such as 3200", "steps_per_turn")
	p.refuse(c.VolumePerTurn <= 0, "volume_per_turn is missing or not above 0", `the calibrated volume, such as "0.1 ml"`, "volume_per_turn")
	p.refuse(c.MaxRate <= 0 || c.MaxRate > mostRate, fmt.Sprintf("max_rate is %v", rig.Of(c.MaxRate)), `more than 0 and up to "500 Hz", as a program makes no even steps beyond that`, "max_rate")
	p.refuse(c.Pulse < 0 || c.Pulse > time.Millisecond, fmt.Sprintf("pulse is %v", c.Pulse), `0 to "1 ms"`, "pulse")
	return p
}

// first makes an error of the first problem, for those who made a
// configuration without a rig file.
func first(what string, found []config.Problem) error {
	for _, p := range found {
		return fmt.Errorf("%s: %s; expected %s", what, p.What, p.Want)
	}
	return nil
}

// period is the time between two steps for a flow.
func (c StepperConfig) period(f rig.Flow) time.Duration {
	perMinute := float64(f) / float64(c.VolumePerTurn) * float64(c.StepsPerTurn)
	return time.Duration(math.Round(float64(time.Minute) / perMinute))
}

// maxFlow is the flow at MaxRate, minFlow that at a step an hour.
func (c StepperConfig) maxFlow() rig.Flow {
	perMinute := float64(c.MaxRate) / float64(hertz) * 60
	return rig.Flow(perMinute / float64(c.StepsPerTurn) * float64(c.VolumePerTurn))
}

func (c StepperConfig) minFlow() rig.Flow {
	return max(1, rig.Flow(math.Ceil(float64(c.VolumePerTurn)/float64(c.StepsPerTurn)/60)))
}

// duty interpolates between the points of the calibration.
func (c PWMConfig) duty(f rig.Flow) (rig.Share, error) {
	least, most := c.Points[0], c.Points[len(c.Points)-1]
	if f < least.Flow || f > most.Flow {
		return 0, fmt.Errorf("the pump can't be set to %v; ask for %v to %v, or calibrate it over a wider range", f, least.Flow, most.Flow)
	}
	i, exact := slices.BinarySearchFunc(c.Points, f, func(p PWMPoint, f rig.Flow) int { return int(p.Flow - f) })
	if exact {
		return c.Points[i].Duty, nil
	}
	a, b := c.Points[i-1], c.Points[i]
	return a.Duty + rig.Share(float64(b.Duty-a.Duty)*float64(f-a.Flow)/float64(b.Flow-a.Flow)), nil
}
