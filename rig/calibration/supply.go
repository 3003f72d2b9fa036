package calibration

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"drench/results/stats"
	"drench/results/stats/uncertainty"
	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Supply is the programmable supply as it moves the rail: steps up and down,
// and the rail read meanwhile.
type Supply struct {
	// LevelU is the standard uncertainty of the levels that the rail is
	// compared with: the supply's programming error, or the meter's.
	LevelU physic.ElectricPotential `yaml:"level_u" json:"level_u"`
	// Band is how near to its end the rail counts as settled.
	Band   physic.ElectricPotential `yaml:"band" json:"band"`
	Steps  []Step                   `yaml:"steps" json:"steps"`
	Result SupplyResult             `yaml:"result" json:"result"`
}

// Step is one change of level.
type Step struct {
	From  physic.ElectricPotential `yaml:"from" json:"from"`
	To    physic.ElectricPotential `yaml:"to" json:"to"`
	Trace []Point                  `yaml:"trace" json:"trace"` // times rise
}

// Point is a reading of the rail, a time after the change was commanded.
type Point struct {
	At   time.Duration            `yaml:"at" json:"at"`
	Rail physic.ElectricPotential `yaml:"rail" json:"rail"`
}

// SupplyResult is what the traces give.
type SupplyResult struct {
	SlewUp    rig.Slew                 `yaml:"slew_up" json:"slew_up"`
	SlewUpU   rig.Slew                 `yaml:"slew_up_u" json:"slew_up_u"`
	SlewDown  rig.Slew                 `yaml:"slew_down" json:"slew_down"`
	SlewDownU rig.Slew                 `yaml:"slew_down_u" json:"slew_down_u"`
	Settling  time.Duration            `yaml:"settling" json:"settling"`     // the longest, from the command
	RailError physic.ElectricPotential `yaml:"rail_error" json:"rail_error"` // mean of reading less level, settled
	RailU     physic.ElectricPotential `yaml:"rail_u" json:"rail_u"`         // of one reading that is not corrected by that
}

// leastPoints is what a step's trace needs: its last fifth must be an end.
const leastPoints = 10

// data tells what is wrong with what was measured.
func (c Supply) data() problems {
	var p problems
	p.refuse(c.LevelU <= 0, "level_u is not above 0", `the standard uncertainty of the levels, such as "2 mV"`, "level_u")
	p.refuse(c.Band <= 0, "band is not above 0", `how near to its end the rail counts as settled, such as "10 mV"`, "band")
	up, down := 0, 0
	for i, s := range c.Steps {
		at := []string{"steps", strconv.Itoa(i)}
		switch {
		case s.To > s.From:
			up++
		case s.To < s.From:
			down++
		}
		p.refuse(s.From < 0 || s.To < 0 || s.From == s.To, fmt.Sprintf("step from %v to %v", s.From, s.To), "two different levels, 0 V or more", at...)
		p.refuse(len(s.Trace) < leastPoints, fmt.Sprintf("trace of %d points", len(s.Trace)), fmt.Sprintf("%d or more", leastPoints), append(at, "trace")...)
		for j := 1; j < len(s.Trace); j++ {
			p.refuse(s.Trace[j].At <= s.Trace[j-1].At, "at does not rise", "readings one after the other", append(at[:2:2], "trace", strconv.Itoa(j), "at")...)
		}
	}
	p.refuse(up < 2 || down < 2, fmt.Sprintf("%d steps up and %d down", up, down), "2 or more of each", "steps")
	return p
}

// Check implements [config.Checker].
func (c Supply) Check() []config.Problem {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r, err := c.evaluate()
	if err != nil {
		p.refuse(true, err.Error(), "traces that can be evaluated", "steps")
		return p
	}
	have := c.Result
	p.results([]value{
		{"slew_up", rig.Of(have.SlewUp), rig.Of(r.SlewUp), int64(r.SlewUpU)}, {"slew_up_u", rig.Of(have.SlewUpU), rig.Of(r.SlewUpU), int64(r.SlewUpU)},
		{"slew_down", rig.Of(have.SlewDown), rig.Of(r.SlewDown), int64(r.SlewDownU)}, {"slew_down_u", rig.Of(have.SlewDownU), rig.Of(r.SlewDownU), int64(r.SlewDownU)},
		{"settling", rig.Of(have.Settling), rig.Of(r.Settling), int64(r.Settling)},
		{"rail_error", rig.Of(have.RailError), rig.Of(r.RailError), int64(r.RailU)}, {"rail_u", rig.Of(have.RailU), rig.Of(r.RailU), int64(r.RailU)},
	})
	return p
}

func (c *Supply) compute() error {
	if err := c.data().first(); err != nil {
		return err
	}
	r, err := c.evaluate()
	c.Result = r
	return err
}

// evaluate takes the mean slew of the steps in each direction, the longest
// settling, and the readings' error over all that was settled. As a rail
// reading is not corrected by its mean error, that error is in its standard
// uncertainty: root of mean square error and level_u (JCGM 100:2008, F.2.4.5,
// the deviation taken into u).
func (c Supply) evaluate() (SupplyResult, error) {
	var r SupplyResult
	var misses []float64
	var up, down slews
	for i, s := range c.Steps {
		slew, u, settling, err := s.measure(c.Band)
		if err != nil {
			return r, fmt.Errorf("step %d: %w", i+1, err)
		}
		r.Settling = max(r.Settling, settling)
		if s.To > s.From {
			up.add(slew, u)
		} else {
			down.add(slew, u)
		}
		for _, q := range s.settled() {
			misses = append(misses, float64(q.Rail-s.To))
		}
	}
	e, err := stats.Summarize(misses)
	if err != nil {
		return r, err
	}
	r.RailError = physic.ElectricPotential(math.Round(e.Mean))
	r.RailU = physic.ElectricPotential(math.Ceil(math.Hypot(math.Hypot(e.Mean, e.SD), float64(c.LevelU))))
	if r.SlewUp, r.SlewUpU, err = up.mean(); err != nil {
		return r, fmt.Errorf("steps up: %w", err)
	}
	if r.SlewDown, r.SlewDownU, err = down.mean(); err != nil {
		return r, fmt.Errorf("steps down: %w", err)
	}
	return r, nil
}

// slews are those of the steps in one direction, in nV/s, with what the
// spacing of readings leaves open.
type slews struct{ value, u []float64 }

func (s *slews) add(v, u float64) { s.value, s.u = append(s.value, v), append(s.u, u) }

// mean is the mean slew. Its uncertainty is that of the mean of repeated steps
// and that of the readings' spacing, which may be alike in all of them.
func (s *slews) mean() (rig.Slew, rig.Slew, error) {
	a, dof, err := uncertainty.TypeA(s.value)
	if err != nil {
		return 0, 0, err
	}
	var mean, spacing float64
	for i := range s.value {
		mean += s.value[i] / float64(len(s.value))
		spacing = max(spacing, s.u[i])
	}
	c, err := uncertainty.Combine([]uncertainty.Component{{Name: "steps", U: a, Sensitivity: 1, DOF: dof}, exact("spacing", spacing, 1)})
	return rig.Slew(math.Round(mean)), rig.Slew(math.Ceil(c.U)), err
}

// settled is the last fifth of the trace.
func (s Step) settled() []Point { return s.Trace[len(s.Trace)*4/5:] }

// measure gives a step's slew between a tenth and nine tenths of the way
// (the reference levels of a transition, IEC 60469; from memory), its
// uncertainty by the spacing of readings, and how long the rail took until it
// stayed within band of its end.
func (s Step) measure(band physic.ElectricPotential) (slew, u float64, settling time.Duration, err error) {
	end := 0.0
	for _, q := range s.settled() {
		end += float64(q.Rail) / float64(len(s.settled()))
	}
	way := end - float64(s.Trace[0].Rail)
	if way*float64(s.To-s.From) <= 0 || math.Abs(way) < math.Abs(float64(s.To-s.From))/2 {
		return 0, 0, 0, fmt.Errorf("the rail went %v on the way from %v to %v; look at supply, relay and load", physic.ElectricPotential(way), s.From, s.To)
	}
	for i, q := range s.Trace {
		if math.Abs(float64(q.Rail)-end) > float64(band) {
			if i >= len(s.Trace)*4/5 {
				return 0, 0, 0, fmt.Errorf("the rail is not settled to %v at the end of its trace; expected longer readings, or a wider band", band)
			}
			settling = s.Trace[i+1].At
		}
	}
	first := s.crossing(float64(s.Trace[0].Rail)+0.1*way, way > 0)
	last := s.crossing(float64(s.Trace[0].Rail)+0.9*way, way > 0)
	if last.after == first.after {
		return 0, 0, 0, errors.New("the rail moved within one reading; expected readings closer together")
	}
	took := last.at - first.at
	slew = 0.8 * math.Abs(way) / took
	return slew, slew * math.Hypot(first.u, last.u) / took, settling, nil
}

// crossing is where a trace first reaches a level.
type crossing struct {
	after int     // reading that is the first there
	at    float64 // s
	u     float64 // standard uncertainty of at, s
}

// crossing finds by interpolation where the trace first reaches a level that
// lies on its way. The instant may be anywhere between the two readings, all
// alike (JCGM 100:2008, 4.3.7).
func (s Step) crossing(level float64, rising bool) crossing {
	i := 1
	for ; i < len(s.Trace)-1; i++ {
		if v := float64(s.Trace[i].Rail); v == level || (v > level) == rising {
			break
		}
	}
	a, b := s.Trace[i-1], s.Trace[i]
	part := (level - float64(a.Rail)) / float64(b.Rail-a.Rail)
	h := (b.At - a.At).Seconds()
	return crossing{i, a.At.Seconds() + part*h, h / math.Sqrt(12)}
}
