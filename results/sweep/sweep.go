// Package sweep compares settings of one DUT: what each costs in latency,
// missed detections, false alarms and power, and which are worth having.
package sweep

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"drench/results/measure"
	"drench/results/stats"
	"drench/results/verdict"
	"drench/rig"
)

// Level is one factor's setting: factor "sampling", level "1 s".
type Level struct {
	Factor string `json:"factor"`
	Name   string `json:"name"`
}

// Run is one run at a setting.
type Run struct {
	ID      int64
	Verdict verdict.Verdict
	Broken  []string // limits that were not met, as written
	Set     *measure.Set
}

// Cost is one axis of the trade-off. Less is better on all.
type Cost struct {
	Name string   `json:"name"`
	Unit rig.Unit `json:"unit"` // of the values; Hertz for rates, which are given an hour
}

// Costs are the axes, in the order of a Point's values: latency's 95 %
// quantile, share of doses missed, false alarms in dry time, mean power.
var Costs = [...]Cost{
	{"latency p95", rig.Second}, {measure.Missed, rig.Proportion}, {measure.FalseAlarms, rig.Hertz}, {measure.MeanPower, rig.Watt},
}

// Indexes of Costs.
const (
	Latency = iota
	Missed
	FalseAlarms
	Power
)

// Value is what was found on one axis: latency in ns, missed as a share from 0
// to 1, false alarms an hour, power in nW. Low and High bound it at 90 %
// confidence, two-sided. Without Known the runs did not show it.
type Value struct {
	Known bool    `json:"known"`
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// MarshalJSON writes a bound that does not exist as null, as JSON has no
// infinity.
func (v Value) MarshalJSON() ([]byte, error) {
	bound := func(x float64) *float64 {
		if math.IsInf(x, 0) {
			return nil
		}
		return &x
	}
	return json.Marshal(map[string]any{"known": v.Known, "value": bound(v.Value), "low": bound(v.Low), "high": bound(v.High)})
}

// Point is one setting with all its runs.
type Point struct {
	Setting []Level           `json:"setting"`
	Runs    []int64           `json:"runs"`
	Verdict verdict.Verdict   `json:"verdict"`
	Broken  []string          `json:"broken,omitempty"`
	Values  [len(Costs)]Value `json:"values"`
	Standby Value             `json:"standby"`           // nW
	Front   bool              `json:"front"`             // no other setting beats it
	BeatBy  int               `json:"beat_by,omitempty"` // index from 1 of one that does
	Battery time.Duration     `json:"battery,omitempty"` // life, if a battery was given
}

// Name is the setting in words.
func (p Point) Name() string {
	if len(p.Setting) == 0 {
		return "as the profile has it"
	}
	var parts []string
	for _, l := range p.Setting {
		parts = append(parts, l.Factor+" "+l.Name)
	}
	return strings.Join(parts, ", ")
}

// Meets tells whether the setting meets all limits.
func (p Point) Meets() bool { return p.Verdict == verdict.Pass }

// level is the confidence of a Value's bounds.
const level = 0.90

// NewPoint puts the runs of one setting together: samples and counts of all
// are pooled, verdicts overwrite each other.
func NewPoint(setting []Level, runs []Run) (Point, error) {
	p := Point{Setting: setting}
	for _, r := range runs {
		p.Runs = append(p.Runs, r.ID)
		p.Verdict = p.Verdict.Overwrite(r.Verdict)
		for _, b := range r.Broken {
			if !slices.Contains(p.Broken, b) {
				p.Broken = append(p.Broken, b)
			}
		}
	}
	for i, find := range []func([]Run) (Value, error){latency, missed, alarms, single(measure.MeanPower)} {
		var err error
		if p.Values[i], err = find(runs); err != nil {
			return p, fmt.Errorf("%s of %s: %w", Costs[i].Name, p.Name(), err)
		}
	}
	var err error
	if p.Standby, err = single(measure.Standby)(runs); err != nil {
		return p, fmt.Errorf("%s of %s: %w", measure.Standby, p.Name(), err)
	}
	return p, nil
}

// latency is the 95 % quantile with order-statistic bounds. A dose that was
// missed counts as answered later than any.
func latency(runs []Run) (Value, error) {
	var all []float64
	for _, r := range runs {
		if m := r.Set.Find(measure.Latency); m != nil {
			for _, s := range m.Samples {
				v := float64(s.Value)
				if s.Censored {
					v = math.Inf(1)
				}
				all = append(all, v)
			}
		}
	}
	if len(all) == 0 {
		return Value{}, nil
	}
	slices.Sort(all)
	at := func(rank int) float64 { return all[rank-1] }
	v := Value{Known: true, Value: at(int(math.Ceil(0.95 * float64(len(all))))), High: math.Inf(1)}
	one := 1 - (1-level)/2
	low, ok, err := stats.QuantileLowerRank(len(all), 0.95, one)
	if err != nil {
		return v, err
	}
	if ok {
		v.Low = at(low)
	}
	high, ok, err := stats.QuantileUpperRank(len(all), 0.95, one)
	if err != nil {
		return v, err
	}
	if ok {
		v.High = at(high)
	}
	v.Known = !math.IsInf(v.Value, 1) // more than 5 % missed: there is no such quantile
	return v, nil
}

// missed is the share of doses missed, after Clopper and Pearson.
func missed(runs []Run) (Value, error) {
	count, n := 0, 0
	for _, r := range runs {
		if m := r.Set.Find(measure.Missed); m != nil {
			count, n = count+m.Count, n+m.N
		}
	}
	if n == 0 {
		return Value{}, nil
	}
	iv, err := stats.ClopperPearson(count, n, level)
	return Value{true, float64(count) / float64(n), iv.Lower, iv.Upper}, err
}

// alarms is the rate of false alarms an hour, after Garwood.
func alarms(runs []Run) (Value, error) {
	count, hours := 0, 0.0
	for _, r := range runs {
		if m := r.Set.Find(measure.FalseAlarms); m != nil {
			count, hours = count+m.Count, hours+m.Exposure.Hours()
		}
	}
	if hours <= 0 {
		return Value{}, nil
	}
	iv, err := stats.Garwood(count, hours, level)
	return Value{true, float64(count) / hours, iv.Lower, iv.Upper}, err
}

// single is the mean over the runs of a measure that is one value, with its
// stated uncertainty.
func single(name string) func([]Run) (Value, error) {
	return func(runs []Run) (Value, error) {
		var sum, u2 float64
		n := 0
		for _, r := range runs {
			if m := r.Set.Find(name); m != nil && len(m.Samples) > 0 {
				sum += float64(m.Samples[0].Value)
				u2 += float64(m.Samples[0].U) * float64(m.Samples[0].U)
				n++
			}
		}
		if n == 0 {
			return Value{}, nil
		}
		mean, half := sum/float64(n), measure.Guard*math.Sqrt(u2)/float64(n)
		return Value{true, mean, max(0, mean-half), mean + half}, nil
	}
}
