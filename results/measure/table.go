package measure

import "drench/rig"

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
	}
}

// ledger collects measures by name as they turn out to be there.
type ledger map[string]*Measure

// of returns the measure called name, new if the run had not shown it so far.
func (l ledger) of(name string) *Measure {
	if m, ok := l[name]; ok {
		return m
	}
	for _, s := range Specs() {
		if s.Name == name {
			m := &Measure{Name: s.Name, Kind: s.Kind, Unit: s.Unit}
			l[name] = m
			return m
		}
	}
	panic("measure: no spec for " + name) // a name that this package misspells
}

// inOrder lists the measures in the order of Specs.
func (l ledger) inOrder() []*Measure {
	list := make([]*Measure, 0, len(l))
	for _, s := range Specs() {
		if m, ok := l[s.Name]; ok {
			list = append(list, m)
		}
	}
	return list
}

// maxNamed bounds how many trials a measure names one by one.
const maxNamed = 100

// blame notes a trial in which the measure went wrong, once.
func (m *Measure) blame(trial int) {
	n := len(m.Trials)
	if trial == 0 || n == maxNamed || n > 0 && m.Trials[n-1] == trial {
		return
	}
	m.Trials = append(m.Trials, trial)
}

// doubt counts a trial that can't contribute.
func (m *Measure) doubt(why string) {
	m.Inconc++
	for _, w := range m.Why {
		if w == why {
			return
		}
	}
	if len(m.Why) < maxNamed {
		m.Why = append(m.Why, why)
	}
}
