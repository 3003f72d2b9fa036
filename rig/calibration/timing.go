package calibration

import (
	"fmt"
	"math"
	"time"

	"drench/results/stats"
	"drench/rig"
	"drench/rig/config"
)

// leastEdges is how many edges a calibration of stamps takes.
const leastEdges = 10

// Timing is the lag of edge stamps: a wire leads from an output to a captured
// input, and each change of the one is an edge on the other.
type Timing struct {
	Output string       `yaml:"output" json:"output"` // lines, as the rig file or the kernel calls them
	Input  string       `yaml:"input" json:"input"`
	Edges  Edges        `yaml:"edges" json:"edges"`
	Result TimingResult `yaml:"result" json:"result"`
}

// Edges sums up the delays from the output's change to the edge's stamp.
type Edges struct {
	N      int `yaml:"n" json:"n"`
	Missed int `yaml:"missed" json:"missed"` // changes without an edge
	Wide   int `yaml:"wide" json:"wide"`     // left out: the program was interrupted while it set the output
	Gaps   int `yaml:"gaps" json:"gaps"`     // lost edges that the input told

	Mean   time.Duration `yaml:"mean" json:"mean"`
	SD     time.Duration `yaml:"sd" json:"sd"` // divisor n-1
	Min    time.Duration `yaml:"min" json:"min"`
	Median time.Duration `yaml:"median" json:"median"`
	P99    time.Duration `yaml:"p99" json:"p99"`
	Max    time.Duration `yaml:"max" json:"max"`

	// OutputU is the standard uncertainty of the instant at which the output
	// changed, root of the mean square.
	OutputU time.Duration `yaml:"output_u" json:"output_u"`
}

// TimingResult is what a stamp is late by, and the standard uncertainty of one
// stamp after that is taken off.
type TimingResult struct {
	Lag time.Duration `yaml:"lag" json:"lag"`
	U   time.Duration `yaml:"u" json:"u"`
}

// SumUp fills in N and the statistics of the delays from output to stamp;
// outputU has the standard uncertainty of each output's instant. Fewer than
// ten are an error.
func (e *Edges) SumUp(delays, outputU []time.Duration) error {
	if len(delays) < leastEdges || len(outputU) != len(delays) {
		return fmt.Errorf("%d edges with %d outputs; expected %d or more, as many of both (missed: %d; look at the wire from the output to the input)",
			len(delays), len(outputU), leastEdges, e.Missed)
	}
	x := make([]float64, len(delays))
	var squares float64
	for i, d := range delays {
		x[i] = float64(d)
		squares += math.Pow(float64(outputU[i]), 2)
	}
	s, err := stats.Summarize(x)
	if err != nil {
		return err
	}
	for _, q := range []struct {
		p  float64
		to *time.Duration
	}{{0.5, &e.Median}, {0.99, &e.P99}} {
		v, err := stats.Quantile(x, q.p)
		if err != nil {
			return err
		}
		*q.to = time.Duration(math.Round(v))
	}
	e.N, e.Mean, e.SD = s.N, time.Duration(math.Round(s.Mean)), time.Duration(math.Round(s.SD))
	e.Min, e.Max = time.Duration(s.Min), time.Duration(s.Max)
	e.OutputU = time.Duration(math.Ceil(math.Sqrt(squares / float64(s.N))))
	return nil
}

// data tells what is wrong with what was measured.
func (c Timing) data() problems {
	var p problems
	p.refuse(c.Output == "", "output is missing", "the line that was driven", "output")
	p.refuse(c.Input == "", "input is missing", "the line that was captured", "input")
	e := c.Edges
	p.refuse(e.N < leastEdges, fmt.Sprintf("n is %d", e.N), fmt.Sprintf("%d edges or more", leastEdges), "edges", "n")
	for _, v := range []struct {
		key string
		n   int64
	}{{"missed", int64(e.Missed)}, {"wide", int64(e.Wide)}, {"gaps", int64(e.Gaps)}, {"sd", int64(e.SD)}, {"output_u", int64(e.OutputU)}} {
		p.refuse(v.n < 0, v.key+" is negative", "0 or more", "edges", v.key)
	}
	p.refuse(e.Min > e.Median || e.Median > e.P99 || e.P99 > e.Max || e.Mean < e.Min || e.Mean > e.Max,
		"min, median, p99, max and mean are not in order", "delays of one set of edges", "edges")
	return p
}

// Check implements [config.Checker].
func (c Timing) Check() []config.Problem {
	p := c.data()
	if len(p) > 0 {
		return p
	}
	r := c.evaluate()
	p.results([]value{
		{"lag", rig.Of(c.Result.Lag), rig.Of(r.Lag), int64(r.U)}, {"u", rig.Of(c.Result.U), rig.Of(r.U), int64(r.U)},
	})
	return p
}

func (c *Timing) compute() error {
	if err := c.data().first(); err != nil {
		return err
	}
	c.Result = c.evaluate()
	if c.Result.U <= 0 {
		return fmt.Errorf("all %d delays are the same; expected some scatter", c.Edges.N)
	}
	return nil
}

// evaluate takes the mean delay for the lag. The uncertainty of one stamp is
// the scatter of the delays (JCGM 100:2008, 4.2.2) and that of the output's
// instant (4.3.7), root of the sum of squares (5.1.2).
func (c Timing) evaluate() TimingResult {
	return TimingResult{Lag: c.Edges.Mean, U: time.Duration(math.Ceil(math.Hypot(float64(c.Edges.SD), float64(c.Edges.OutputU))))}
}
