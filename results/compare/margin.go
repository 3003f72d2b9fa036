package compare

import (
	"fmt"
	"slices"
	"strings"

	"drench/results/limits"
	"drench/results/measure"
	"drench/rig"
)

// Margin says up to which difference a measure counts as the same. All are our
// own defaults, no standard's: change those that matter to you.
type Margin struct {
	Measure string       `json:"measure"`
	Kind    measure.Kind `json:"kind"`
	// Share is that of the limit, where the runs have a limit on the measure in
	// its own unit; else, or if Share is 0, Value holds.
	Share float64  `json:"share,omitempty"`
	Value float64  `json:"value"`
	Unit  rig.Unit `json:"unit"`
	// LowerWorse says that a lower value is worse; else a higher one is.
	LowerWorse bool `json:"lower_is_worse,omitempty"`
	// each is what a count is divided by instead of time, where a rate would
	// have no exposure; below says that a censored sample lies below its value.
	each  string
	below bool
}

// Margins lists the measures that are compared, with their default margins.
// That a rig's calibration has expired is no matter of the device, and is not
// among them.
func Margins() []Margin {
	const (
		ms, mV, percent, mW, gramPerM2 = 1e6, 1e6, 1e7, 1e6, 1e6
		microlitre                     = 1e3
		perHour                        = 1e9 / 3600
	)
	list := []Margin{
		{Measure: measure.Latency, Share: 0.05, Value: 50 * ms},
		{Measure: measure.Missed, Value: 2 * percent},
		{Measure: measure.FalseAlarms, Value: 2 * perHour},
		{Measure: measure.ReleaseTime, Share: 0.05, Value: 3000 * ms},
		{Measure: measure.Film, Share: 0.05, Value: 5 * gramPerM2},
		{Measure: measure.BeatGap, Share: 0.01, Value: 20 * ms},
		{Measure: measure.BeatJitter, Share: 0.1, Value: 2 * ms},
		{Measure: measure.BeatsMissing, Value: 2 * perHour},
		{Measure: measure.StartUp, Share: 0.1, Value: 50 * ms},
		{Measure: measure.DropOut, Share: 0.02, Value: 50 * mV, below: true},
		{Measure: measure.Recovery, Share: 0.02, Value: 50 * mV},
		{Measure: measure.DipRecovery, Share: 0.05, Value: 100 * ms},
		{Measure: measure.DipAlarms, Value: 2 * percent},
		{Measure: measure.NotRecovered, Value: 2 * percent},
		{Measure: measure.SettingsLost, Value: 2 * percent},
		{Measure: measure.Glitches, Value: 2 * perHour},
		{Measure: measure.Chatter, Value: 1, each: "disturbance"},
		{Measure: measure.Disagreement, Value: 1 * percent},
		{Measure: measure.Standby, Share: 0.05, Value: 1 * mW},
		{Measure: measure.MeanPower, Share: 0.05, Value: 1 * mW},
		{Measure: measure.CarryOver, Share: 0.05, Value: 10},
		{Measure: measure.Threshold, Share: 0.1, Value: 10 * microlitre},
		{Measure: measure.Immunity, Share: 0.02, Value: 50 * mV, below: true},
		{Measure: measure.RideThrough, Share: 0.05, Value: 5 * ms, LowerWorse: true},
		{Measure: measure.NotAssured, Value: 2 * percent},
	}
	for i := range list {
		for _, s := range measure.Specs() {
			if m := &list[i]; s.Name == m.Measure {
				m.Kind, m.Unit = s.Kind, s.Unit
				if m.each != "" {
					m.Unit = rig.Level
				}
			}
		}
	}
	return list
}

// marginOf returns the row of a measure.
func marginOf(name string) (Margin, bool) {
	list := Margins()
	i := slices.IndexFunc(list, func(m Margin) bool { return m.Measure == name })
	if i < 0 {
		return Margin{}, false
	}
	return list[i], true
}

// String says what the margin is, as "5 % of the limit, or 50 ms".
func (m Margin) String() string {
	s := Format(m.Value, m.Unit)
	if m.each != "" {
		s += " in each " + m.each
	}
	if m.Share > 0 {
		s = percent(m.Share) + " of the limit, or " + s
	}
	return s
}

// ParseMargin reads "latency = 80 ms" (or "chatter = 2"), and returns the
// measure and the margin in its unit.
func ParseMargin(text string) (name string, value float64, err error) {
	name, written, ok := strings.Cut(text, "=")
	name, written = strings.TrimSpace(name), strings.TrimSpace(written)
	m, known := marginOf(name)
	switch {
	case !ok:
		return "", 0, fmt.Errorf("margin %q has no value; expected MEASURE=VALUE, such as \"latency=80 ms\"", text)
	case !known:
		return "", 0, fmt.Errorf("margin %q: there is no measure %q; expected one of %s", text, name, strings.Join(MeasureNames(), ", "))
	case m.Unit == rig.Level:
		var n int
		if _, err := fmt.Sscanf(written+"\n", "%d\n", &n); err != nil || n < 1 {
			return "", 0, fmt.Errorf("margin %q: %q is no whole number above 0", text, written)
		}
		return name, float64(n), nil
	}
	n, err := rig.ParseAs(written, m.Unit)
	if err != nil {
		return "", 0, fmt.Errorf("margin %q: %w", text, err)
	}
	if n <= 0 {
		return "", 0, fmt.Errorf("margin %q: expected a value above 0", text)
	}
	return name, float64(n), nil
}

// MeasureNames lists the measures that are compared.
func MeasureNames() []string {
	var names []string
	for _, m := range Margins() {
		names = append(names, m.Measure)
	}
	return names
}

// resolve returns the margin that holds between runs, and where it comes from.
func (m Margin) resolve(o Options, runs []Run) (value float64, why string) {
	if v, ok := o.Margins[m.Measure]; ok {
		return v, "as asked for"
	}
	if l, ok := strictest(m, runs); ok && m.Share > 0 {
		return m.Share * float64(l.Value), fmt.Sprintf("%s %% of the limit %s, our own default", rig.Significant(m.Share*100, 3), Format(float64(l.Value), m.Unit))
	}
	return m.Value, "our own default"
}

// strictest returns the strictest limit that one of the runs has on the
// measure, in the measure's own unit and against what is worse.
func strictest(m Margin, runs []Run) (found limits.Limit, ok bool) {
	op, mild, sign := byte('<'), "min", int64(1)
	if m.LowerWorse {
		op, mild, sign = '>', "max", -1
	}
	for _, r := range runs {
		for _, l := range r.Limits {
			fits := l.Measure == m.Measure && l.Unit == m.Unit && l.Op[0] == op && l.Value > 0 && l.Statistic != "sd" && l.Statistic != mild
			if fits && (!ok || sign*l.Value < sign*found.Value) {
				found, ok = l, true
			}
		}
	}
	return found, ok
}

// limited tells whether a run has a limit on the measure.
func limited(name string, runs []Run) bool {
	return slices.ContainsFunc(runs, func(r Run) bool {
		return slices.ContainsFunc(r.Limits, func(l limits.Limit) bool { return l.Measure == name })
	})
}
