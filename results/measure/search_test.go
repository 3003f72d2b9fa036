package measure

import (
	"testing"
	"time"

	"drench/results/adaptive"
	"drench/results/verdict"
	"drench/rig"
)

// TestProbe: a probe gives its dose and its answer to the threshold, and is no
// miss; a dose is what the gate counted, where there is one.
func TestProbe(t *testing.T) {
	for _, c := range []struct {
		what   string
		drops  int
		answer time.Duration // 0: none
		dose   int64
		hit    bool
		doubt  int
	}{
		{"hit", 2, 14 * sec, 100_000, true, 0},
		{"no answer", 3, 0, 150_000, false, 0},
		{"answer too late", 2, 17 * sec, 100_000, false, 0},
		{"no drop seen", 0, 0, 0, false, 1},
	} {
		s := newStory(t, rig.Detect, rig.PumpDrip, rig.DropGate)
		s.begin(10*sec, rig.Trial{Kind: rig.Probe, Dose: 80 * rig.Microlitre, Within: 5 * sec})
		s.command(11*sec, rig.PumpDrip, 30e6)
		for i := range c.drops {
			at := 11*sec + time.Duration(i+1)*100*ms
			s.edge(at, rig.DropGate, 1)
			s.edge(at+ms, rig.DropGate, 0)
		}
		if c.answer > 0 {
			s.edge(c.answer, rig.Detect, 1)
		}
		s.end(18 * sec)
		s.close(20 * sec)
		set := s.set()
		m := find(t, set, Threshold)
		noMeasure(t, set, Latency, Missed)
		equal(t, c.what+": doubt", m.Inconc, c.doubt)
		if c.doubt > 0 {
			equal(t, c.what+": verdict", set.Trials[0].Verdict, verdict.Inconc)
			continue
		}
		equal(t, c.what+": verdict", set.Trials[0].Verdict, verdict.Pass)
		equal(t, c.what+": trial", m.Graded[0], Graded{Dose: c.dose, Hit: c.hit, Trial: 1})
	}
}

// TestProbeFalseAlarm: an answer before the water is a false alarm, not a hit.
func TestProbeFalseAlarm(t *testing.T) {
	s := newStory(t, rig.Detect, rig.PumpDrip)
	s.mark(5*sec, rig.MarkPowered)
	s.begin(10*sec, rig.Trial{Kind: rig.Probe, Dose: 80 * rig.Microlitre, Within: 5 * sec})
	s.edge(10500*ms, rig.Detect, 1)
	s.command(11*sec, rig.PumpDrip, 30e6)
	s.end(18 * sec)
	s.close(20 * sec)
	set := s.set()
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Fail)
	equal(t, "false alarms", find(t, set, FalseAlarms).Count, 1)
	equal(t, "probes", find(t, set, Threshold).N, 0)
}

// rise tells a rise: down to 0.6 V at 20 s, up to level at 23 s, and to 3.3 V at
// 28 s; the DUT beats each second to 19.5 s and then at the times given.
func rise(t *testing.T, level int64, beats ...time.Duration) *Set {
	s := newStory(t, rig.Heartbeat, rig.Detect, rig.Rail, rig.SupplySet)
	s.edge(0, rig.Heartbeat, 0)
	s.mark(10*sec, rig.MarkPowered)
	heart := int64(0)
	beat := func(at time.Duration) { heart = 1 - heart; s.edge(at, rig.Heartbeat, heart) }
	for at := 10500 * ms; at < 20*sec; at += sec {
		beat(at)
	}
	s.begin(19900*ms, rig.Trial{Kind: rig.Dip, Within: 2 * sec, Dip: &rig.DipSpec{Shape: rig.Rise, Level: rig.Millivolt(level / 1e6), From: 3300, Low: 600, Width: 5 * sec}})
	for _, c := range []struct {
		at time.Duration
		v  int64
	}{{20 * sec, 600e6}, {23 * sec, level}, {28 * sec, 3300e6}} {
		s.command(c.at, rig.SupplySet, c.v)
		for at := c.at + 20*ms; at < c.at+3*sec; at += 20 * ms {
			s.reading(at, rig.Rail, c.v)
		}
	}
	for _, at := range beats {
		beat(at)
	}
	sortEvents(s.events)
	s.end(34 * sec)
	s.close(35 * sec)
	return s.set()
}

func TestRise(t *testing.T) {
	const seconds = time.Second
	up := []time.Duration{29 * seconds, 30 * seconds, 31 * seconds, 32 * seconds, 33 * seconds}
	set := rise(t, 2600e6, append([]time.Duration{24 * sec, 25 * sec, 26 * sec, 27 * sec, 28 * sec}, up...)...)
	equal(t, "started", set.Trials[0].Dip.Started, true)
	equal(t, "at", set.Trials[0].Dip.Level, 2600)
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Pass)
	equal(t, "held at", set.Boundaries[0].Held, int64(2600e6))
	set = rise(t, 2400e6, up...)
	equal(t, "started", set.Trials[0].Dip.Started, false)
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Pass)
	equal(t, "failed at", set.Boundaries[0].Failed, int64(2400e6))
	equal(t, "doubt", find(t, set, Recovery).Inconc, 1) // it held nowhere
	set = rise(t, 2600e6)
	equal(t, "verdict of one that stays dead", set.Trials[0].Verdict, verdict.Fail)
	equal(t, "not recovered", find(t, set, NotRecovered).Count, 1)
	set = rise(t, 2600e6, append([]time.Duration{22 * sec, 24 * sec}, up...)...)
	equal(t, "verdict if it never stopped", set.Trials[0].Verdict, verdict.Inconc)
	equal(t, "boundaries", len(set.Boundaries), 0)
}

// TestBoundaries: the bracket is between the nearest two outcomes, whichever
// way they lie, and a sample with the uncertainty of a rectangle.
func TestBoundaries(t *testing.T) {
	trial := func(n int, d rig.DipSpec, lowest rig.Millivolt, restarted bool) Trial {
		return Trial{N: n, Spec: rig.Trial{Kind: rig.Dip, Dip: &d}, Dip: &DipSeen{Lowest: lowest, Restarted: restarted}, Verdict: verdict.Pass}
	}
	hold := rig.DipSpec{Shape: rig.Hold}
	dip := rig.DipSpec{Shape: rig.VoltageDip, Width: sec}
	off := func(w time.Duration) rig.DipSpec {
		return rig.DipSpec{Shape: rig.Interruption, Source: rig.HighImpedance, Width: w}
	}
	unsure := trial(9, hold, 2000, false)
	unsure.Verdict = verdict.Inconc
	list := boundaries([]Trial{
		trial(1, hold, 3000, false), trial(2, hold, 1000, true), trial(3, hold, 2400, false), trial(4, hold, 2100, true), unsure,
		trial(5, dip, 2300, true), trial(6, dip, 2200, false), // contradict each other
		trial(7, off(sec), 0, false), trial(8, off(3*sec), 0, true), trial(10, off(2*sec), 0, false),
	})
	want := []Boundary{
		{Of: DropOut, Held: 2400e6, Failed: 2100e6, HasHeld: true, HasFailed: true, N: 4, Trial: 4},
		{Of: Immunity, Width: sec, Held: 2200e6, Failed: 2300e6, HasHeld: true, HasFailed: true, N: 2, Trial: 6},
		{Of: RideThrough, Source: rig.HighImpedance, Held: int64(2 * sec), Failed: int64(3 * sec), HasHeld: true, HasFailed: true, N: 3, Trial: 10},
	}
	if len(list) != len(want) {
		t.Fatalf("boundaries %+v", list)
	}
	for i := range want {
		equal(t, "boundary", list[i], want[i])
		equal(t, want[i].Of+" is sure", list[i].Sure(), want[i].Of != Immunity)
	}
	l := ledger{}
	l.boundaries(list, 5e6)
	// 150 mV/√3 = 86.603 mV; with 5 mV of the readback √7525 = 86.747 mV.
	equal(t, "drop-out", l[DropOut].Samples[0], Sample{Value: 2250e6, U: 86746757, Trial: 4})
	equal(t, "ride-through", l[RideThrough].Samples[0], Sample{Value: 2500e6, U: 288675135, Trial: 10})
	l = ledger{}
	l.unproven([]Trial{unsure, trial(1, hold, 3000, false), {N: 3, Verdict: verdict.Inconc, Spec: rig.Trial{Kind: rig.Dip, Dip: &hold}}, {N: 4, Verdict: verdict.Inconc}})
	equal(t, "unproven", l[DropOut].Inconc, 2)
	l = ledger{}
	l.boundaries([]Boundary{{Of: Immunity, Width: sec, Held: 100e6, HasHeld: true, Trial: 3}, {Of: DropOut, Failed: 3e9, HasFailed: true}}, 5e6)
	equal(t, "held throughout", l[Immunity].Samples[0], Sample{Value: 100e6, U: 5e6, Censored: true, Trial: 3})
	equal(t, "held nowhere", l[DropOut].Inconc, 1)
}

// TestTests: a test is read to its decision, without inconclusive trials; one
// that is cut short is none.
func TestTests(t *testing.T) {
	spec := rig.TestSpec{Good: 5e6, Bad: 50e6, Alpha: 50e6, Beta: 40e6, Most: 150}
	other := spec
	other.Most = 100
	trial := func(n int, s rig.TestSpec, v verdict.Verdict) Trial {
		return Trial{N: n, Spec: rig.Trial{Kind: rig.Wet, Test: &s}, Verdict: v}
	}
	var trials []Trial
	for n := range 80 {
		v := verdict.Pass
		if n == 3 {
			v = verdict.Inconc
		}
		trials = append(trials, trial(n+1, spec, v))
	}
	trials = append(trials, trial(81, other, verdict.Fail), trial(82, other, verdict.Fail))
	list := tests(trials)
	equal(t, "tests", len(list), 2)
	equal(t, "first", list[0].Decision, adaptive.Accept)
	equal(t, "its trials", len(list[0].Wrong), 69)
	equal(t, "its last", list[0].Trial, 70)
	equal(t, "second", list[1].Decision, adaptive.Reject)
	l := ledger{Missed: {Name: Missed}}
	l.tests(list)
	l.tests(tests(trials[:20]))
	m := l[NotAssured]
	equal(t, "decided", m.N, 2)
	equal(t, "rejected", m.Count, 1)
	equal(t, "undecided", m.Inconc, 1)
	equal(t, "missed is sequential", l[Missed].Sequential, true)
}
