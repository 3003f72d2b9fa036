package limits

import (
	"math"

	"drench/results/measure"
	"drench/rig"
)

// clock says which of the DUT's own periods a limit may be given in.
type clock uint8

const (
	noClock  clock = iota
	sampling       // the sampling period
	beat           // the heartbeat interval
)

// of returns the period, 0 if the profile has none.
func (c clock) of(d rig.DUT) int64 {
	switch c {
	case sampling:
		return int64(d.Sampling.Period)
	case beat:
		return int64(d.Heartbeat)
	}
	return 0
}

// rule says how limits on one measure may be written, and where its values
// come from.
type rule struct {
	measure.Spec
	periods   clock
	byDefault string // statistic that is meant if none is written
	summed    bool   // no single values are kept: no quantiles
	below     bool   // a censored sample lies below its value, not above
	countOnly bool   // a rate would have no exposure
	from      []rig.TrialKind
}

// rules lists the measures in the order of measure.Specs.
func rules() []rule {
	wet, dip := []rig.TrialKind{rig.Wet}, []rig.TrialKind{rig.Dip}
	extra := map[string]rule{
		measure.Latency:      {periods: sampling, from: wet},
		measure.Missed:       {from: wet},
		measure.FalseAlarms:  {from: []rig.TrialKind{rig.Dry, rig.Decoy}},
		measure.ReleaseTime:  {periods: sampling, from: []rig.TrialKind{rig.Release}},
		measure.Film:         {byDefault: "max", from: wet},
		measure.BeatGap:      {periods: beat, byDefault: "max", summed: true},
		measure.BeatJitter:   {periods: beat},
		measure.StartUp:      {periods: sampling, byDefault: "max"},
		measure.DropOut:      {byDefault: "max", below: true, from: dip},
		measure.Recovery:     {byDefault: "max", from: dip},
		measure.DipRecovery:  {periods: beat, byDefault: "max", from: dip},
		measure.DipAlarms:    {from: dip},
		measure.NotRecovered: {from: dip},
		measure.Chatter:      {countOnly: true, from: dip},
		measure.CarryOver:    {byDefault: "max", from: wet},
		measure.Threshold:    {from: []rig.TrialKind{rig.Probe}},
		measure.Immunity:     {byDefault: "max", below: true, from: dip},
		measure.RideThrough:  {byDefault: "min", from: dip},
		measure.NotAssured:   {from: wet},
		measure.ExpiredCals:  {countOnly: true},
	}
	var list []rule
	for _, s := range measure.Specs() {
		r := extra[s.Name]
		r.Spec = s
		list = append(list, r)
	}
	return list
}

// ruleFor returns the rule of the measure called name.
func ruleFor(name string) (rule, bool) {
	for _, r := range rules() {
		if r.Name == name {
			return r, true
		}
	}
	return rule{}, false
}

// Resolve returns a copy of the file in which limits that are given in periods
// have their values: sampling periods for latency, release and start-up,
// heartbeat intervals for the heartbeat and for recovery after a dip. Where the
// profile has no such period the value stays 0, and Judge says so.
func (f *File) Resolve(d rig.DUT) *File {
	c := *f
	c.Limits = append([]Limit(nil), f.Limits...)
	for i := range c.Limits {
		l := &c.Limits[i]
		if r, ok := ruleFor(l.Measure); ok && l.Periods != 0 {
			l.Value = int64(math.Round(l.Periods * float64(r.periods.of(d))))
		}
	}
	return &c
}
