package measure

import (
	"slices"

	"drench/rig"
)

// Spec says how one measure is counted.
type Spec struct {
	Name string
	Kind Kind
	Unit rig.Unit
}

// Specs lists all measures, in the order of a Set. Counts of readings that
// the DUT prints have no unit; they are rig.Level.
func Specs() []Spec {
	return []Spec{
		{Latency, Samples, rig.Second},
		{Missed, Proportion, rig.Proportion},
		{FalseAlarms, Events, rig.Hertz},
		{ReleaseTime, Samples, rig.Second},
		{Film, Samples, rig.FilmMass},
		{BeatGap, Samples, rig.Second},
		{BeatJitter, Single, rig.Second},
		{BeatsMissing, Events, rig.Hertz},
		{StartUp, Samples, rig.Second},
		{DropOut, Samples, rig.Volt},
		{Recovery, Samples, rig.Volt},
		{DipRecovery, Samples, rig.Second},
		{DipAlarms, Proportion, rig.Proportion},
		{NotRecovered, Proportion, rig.Proportion},
		{SettingsLost, Proportion, rig.Proportion},
		{Glitches, Events, rig.Hertz},
		{Chatter, Events, rig.Hertz},
		{Disagreement, Proportion, rig.Proportion},
		{Standby, Single, rig.Watt},
		{MeanPower, Single, rig.Watt},
		{CarryOver, Samples, rig.Level},
		{Threshold, Curve, rig.Litre},
		{Immunity, Samples, rig.Volt},
		{RideThrough, Samples, rig.Second},
		{NotAssured, Proportion, rig.Proportion},
		{ExpiredCals, Events, rig.Hertz},
	}
}

// ledger collects measures by name as they turn out to be there.
type ledger map[string]*Measure

// of returns the measure called name, new if the run had not shown it so far.
func (l ledger) of(name string) *Measure {
	if m, ok := l[name]; ok {
		return m
	}
	m := &Measure{Name: name}
	for _, s := range Specs() {
		if s.Name == name {
			m.Kind, m.Unit = s.Kind, s.Unit
		}
	}
	l[name] = m
	return m
}

// inOrder lists the measures in the order of Specs.
func (l ledger) inOrder() []*Measure {
	list := make([]*Measure, 0, len(l))
	for _, s := range Specs() {
		if m, ok := l[s.Name]; ok {
			slices.Sort(m.Trials)
			list = append(list, m)
		}
	}
	return list
}

// maxNamed bounds how many trials a measure names one by one.
const maxNamed = 100

// blame notes a trial in which the measure went wrong.
func (m *Measure) blame(trial int) {
	if trial != 0 && len(m.Trials) < maxNamed && !slices.Contains(m.Trials, trial) {
		m.Trials = append(m.Trials, trial)
	}
}

// doubt counts a trial that can't contribute.
func (m *Measure) doubt(why string) {
	m.Inconc++
	if len(m.Why) < maxNamed && !slices.Contains(m.Why, why) {
		m.Why = append(m.Why, why)
	}
}
