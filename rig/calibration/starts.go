package calibration

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"drench/results/stats"
	"drench/results/stats/uncertainty"
	"drench/rig"
)

// leastStarts is how many starts of the pump a lag takes.
const leastStarts = 5

// Starts is how a drip pump starts: doses of one drop each, counted by the drop
// gate, as scenarios give theirs.
type Starts struct {
	// Delays are from the pump's command to the edge of the drop in the gate.
	Delays []time.Duration `yaml:"delays" json:"delays"`
	// Stamp and Gate are what the rig file says of edges and of the fall from
	// gate to sensor.
	Stamp rig.LagCal  `yaml:"stamp" json:"stamp"`
	Gate  rig.GateCal `yaml:"drop_gate" json:"drop_gate"`
	// Fill is how long the pump ran, starts and stops taken off each other, from
	// an empty tube to the first drop in the gate; 0 if the tube was not empty.
	Fill time.Duration `yaml:"fill,omitempty" json:"fill,omitempty"`
	// Unsteady is the relative standard deviation of the times between drops
	// while the pump ran: its flow varies by that at the most.
	Unsteady float64     `yaml:"unsteady,omitempty" json:"unsteady,omitempty"`
	Result   StartResult `yaml:"result" json:"result"`
}

// StartResult is what the starts give.
type StartResult struct {
	// Lag is from the pump's command to the first drop on the sensor, LagU the
	// standard uncertainty of that of one dose.
	Lag  time.Duration `yaml:"lag" json:"lag"`
	LagU time.Duration `yaml:"lag_u" json:"lag_u"`
	// Line is what fills the tube, 0 if that was not measured.
	Line  rig.Volume `yaml:"line,omitempty" json:"line,omitempty"`
	LineU rig.Volume `yaml:"line_u,omitempty" json:"line_u,omitempty"`
}

// data tells what is wrong with what was measured.
func (c Starts) data() problems {
	var p problems
	p.refuse(len(c.Delays) < leastStarts, fmt.Sprintf("%d delays", len(c.Delays)), fmt.Sprintf("%d or more", leastStarts), "delays")
	for i, d := range c.Delays {
		p.refuse(d <= 0, "a delay is not above 0", "the time from the pump's command to the drop", "delays", strconv.Itoa(i))
	}
	p.refuse(c.Stamp.U < 0, "u is negative", "a standard uncertainty", "stamp", "u")
	p.refuse(c.Gate.Fall <= 0 || c.Gate.FallU <= 0, fmt.Sprintf("the fall is %v with an uncertainty of %v", c.Gate.Fall, c.Gate.FallU),
		"both above 0; drench calibrate timing --of gate finds them", "drop_gate")
	p.refuse(c.Unsteady < 0 || c.Unsteady >= 1 || c.Fill > 0 && c.Unsteady == 0, fmt.Sprintf("unsteady is %v", c.Unsteady), "a share of 1 that goes with fill", "unsteady")
	p.refuse(c.Fill < 0, "fill is negative", "how long an empty tube took, or no such key", "fill")
	return p
}

// evaluate takes the mean delay, less the stamp's lag and with the fall, for the
// lag, and for the uncertainty of one dose's the scatter of the delays, in which
// the stamps' is, and the fall's (JCGM 100:2008, 5.1.2).
//
// What filled the tube is the rate times the time less the first drop. Of the
// time a part went by before the pump turned and after the drop had let go; it
// is somewhere between none and the mean delay (rectangular, JCGM 100:2008,
// 4.3.7). And the flow just then may have been another than on the average.
func (c Starts) evaluate(pump PumpResult, hanging rig.Volume) (StartResult, error) {
	x := make([]float64, len(c.Delays))
	for i, d := range c.Delays {
		x[i] = float64(d)
	}
	s, err := stats.Summarize(x)
	if err != nil {
		return StartResult{}, err
	}
	delay := s.Mean - float64(c.Stamp.Lag)
	r := StartResult{Lag: time.Duration(math.Round(delay)) + c.Gate.Fall}
	u, err := uncertainty.Combine([]uncertainty.Component{
		{Name: "scatter", U: s.SD, Sensitivity: 1, DOF: float64(s.N - 1)}, exact("mean", s.SD/math.Sqrt(float64(s.N)), 1),
		exact("fall", float64(c.Gate.FallU), 1),
	})
	if err != nil {
		return r, err
	}
	r.LagU = time.Duration(math.Ceil(u.U))
	if c.Fill == 0 {
		return r, nil
	}
	drop, dropU := float64(pump.Drop), float64(pump.DropU)
	if pump.Drop == 0 {
		drop, dropU = float64(hanging), float64(hanging)/math.Sqrt(12)
	}
	perNano := float64(pump.Rate) / float64(time.Minute) // nl in a ns
	ran := float64(c.Fill) - delay/2
	u, err = uncertainty.Combine([]uncertainty.Component{
		exact("time", delay/math.Sqrt(12), perNano), exact("rate", float64(pump.RateU)/float64(time.Minute), ran), exact("drop", dropU, 1),
		exact("steadiness", c.Unsteady*ran, perNano),
	})
	r.Line, r.LineU = rig.Volume(math.Round(ran*perNano-drop)), rig.Volume(math.Ceil(u.U))
	if err == nil && r.Line <= 0 {
		err = fmt.Errorf("a drop came %v after the first start: the tube was not empty; empty it, or leave out fill", c.Fill)
	}
	return r, err
}

// check compares the stated result with the data's.
func (c Starts) check(pump PumpResult, hanging rig.Volume) problems {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r, err := c.evaluate(pump, hanging)
	if err != nil {
		p.refuse(true, err.Error(), "starts that can be evaluated", "delays")
		return p
	}
	s := c.Result
	p.results([]value{
		{"lag", rig.Of(s.Lag), rig.Of(r.Lag), int64(r.LagU)}, {"lag_u", rig.Of(s.LagU), rig.Of(r.LagU), int64(r.LagU)},
		{"line", rig.Of(s.Line), rig.Of(r.Line), int64(r.LineU)}, {"line_u", rig.Of(s.LineU), rig.Of(r.LineU), int64(r.LineU)},
	})
	return p
}
