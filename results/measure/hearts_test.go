package measure

import (
	"math"
	"testing"
	"time"

	"drench/rig"
)

// pulse adds edges at the times given.
func pulse(s *story, at ...time.Duration) {
	level := int64(0)
	for _, a := range at {
		level = 1 - level
		s.edge(a, rig.Heartbeat, level)
	}
}

func heartStory(t *testing.T) *story {
	s := newStory(t, rig.Heartbeat, rig.RelayDUT)
	s.edge(0, rig.Heartbeat, 0)
	return s
}

func TestHeartbeat(t *testing.T) {
	type want struct {
		n          int
		max        time.Duration
		missing    int
		supervised time.Duration
		startUp    []Sample
	}
	u := int64(5 * ms)
	for _, c := range []struct {
		name string
		tell func(*story)
		want want
	}{
		{"steady", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10300*ms, 11300*ms, 12300*ms, 13300*ms)
			s.mark(14*sec, rig.MarkOff)
		}, want{3, sec, 0, 3700 * ms, []Sample{{Value: 3e8, U: u}}}},
		{"edges before the rail is good, and after it is off, are no beats", func(s *story) {
			pulse(s, 9*sec)
			s.mark(10*sec, rig.MarkPowered)
			s.edge(10300*ms, rig.Heartbeat, 0)
			s.edge(11300*ms, rig.Heartbeat, 1)
			s.mark(12*sec, rig.MarkOff)
			s.edge(12100*ms, rig.Heartbeat, 0)
		}, want{1, sec, 0, 1700 * ms, []Sample{{Value: 3e8, U: u}}}},
		{"its relay opens, though no mark says so: the fall of its line is no beat", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10300*ms, 11300*ms)
			s.command(12*sec, rig.RelayDUT, 0)
			pulse(s, 12002*ms)
		}, want{1, sec, 0, 1700 * ms, []Sample{{Value: 3e8, U: u}}}},
		{"one beat missing", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10300*ms, 11300*ms, 13300*ms, 14300*ms)
			s.mark(15*sec, rig.MarkOff)
		}, want{3, 2 * sec, 1, 4700 * ms, []Sample{{Value: 3e8, U: u}}}},
		{"stops: the open stretch counts though no edge ends it", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10300*ms, 11300*ms)
		}, want{1, 88700 * ms, 88, 89700 * ms, []Sample{{Value: 3e8, U: u}}}},
		{"never starts: supervised from the allowed start-up time on", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
		}, want{0, 89500 * ms, 89, 89500 * ms, []Sample{{Value: 90e9, U: u, Censored: true}}}},
		{"starts late", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 14*sec, 15*sec)
			s.mark(15500*ms, rig.MarkOff)
		}, want{1, 3500 * ms, 3, 5 * sec, []Sample{{Value: 4e9, U: u}}}},
		{"cut off before it had to start", func(s *story) {
			s.mark(99800*ms, rig.MarkPowered)
		}, want{}},
		{"off and on again", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10300*ms, 11300*ms)
			s.mark(12*sec, rig.MarkOff)
			s.mark(50*sec, rig.MarkPowered)
			pulse(s, 50200*ms, 51200*ms)
			s.mark(52*sec, rig.MarkOff)
		}, want{2, sec, 0, 3500 * ms, []Sample{{Value: 3e8, U: u}, {Value: 2e8, U: u}}}},
		{"a dip is left out", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10500*ms, 11500*ms)
			s.begin(12*sec, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip}})
			pulse(s, 19*sec)
			s.end(20 * sec)
			s.edge(20400*ms, rig.Heartbeat, 0)
			s.edge(21400*ms, rig.Heartbeat, 1)
			s.mark(21500*ms, rig.MarkOff)
		}, want{2, sec, 0, 3 * sec, []Sample{{Value: 5e8, U: u}}}},
		{"dead after a dip", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10500*ms, 11500*ms)
			s.begin(12*sec, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip}})
			s.end(20 * sec)
		}, want{1, 80 * sec, 79, 81500 * ms, []Sample{{Value: 5e8, U: u}}}},
		{"a trip ends it", func(s *story) {
			s.mark(10*sec, rig.MarkPowered)
			pulse(s, 10500*ms, 11500*ms)
			s.add(12*sec, rig.Trip, 0, 0, "lid")
		}, want{1, sec, 0, 1500 * ms, []Sample{{Value: 5e8, U: u}}}},
	} {
		s := heartStory(t)
		c.tell(s)
		s.close(100 * sec)
		set := s.set()
		if c.want.supervised == 0 {
			noMeasure(t, set, BeatGap, BeatJitter, BeatsMissing, StartUp)
			continue
		}
		gap := find(t, set, BeatGap)
		equal(t, c.name+": gaps", gap.Summary.N, c.want.n)
		equal(t, c.name+": greatest", time.Duration(gap.Summary.Max), c.want.max)
		equal(t, c.name+": missing", find(t, set, BeatsMissing).Count, c.want.missing)
		equal(t, c.name+": supervised", gap.Exposure, c.want.supervised)
		start := find(t, set, StartUp)
		if len(start.Samples) != len(c.want.startUp) {
			t.Errorf("%s: start-up %v; want %v", c.name, start.Samples, c.want.startUp)
			continue
		}
		for i, want := range c.want.startUp {
			equal(t, c.name+": start-up", start.Samples[i], want)
		}
	}
}

// Lost edges break a stretch in two and put the heartbeat in doubt.
func TestHeartbeatLost(t *testing.T) {
	s := heartStory(t)
	s.mark(0, rig.MarkPowered)
	pulse(s, 500*ms, 1500*ms)
	s.gap(5*sec, rig.Heartbeat, 3*sec)
	s.edge(5500*ms, rig.Heartbeat, 0) // the same level as before: still an edge
	s.edge(6500*ms, rig.Heartbeat, 1)
	s.mark(7*sec, rig.MarkOff)
	s.close(8 * sec)
	gap := find(t, s.set(), BeatGap)
	equal(t, "gaps", gap.Summary.N, 2)
	equal(t, "greatest", time.Duration(gap.Summary.Max), sec)
	equal(t, "doubt", gap.Inconc, 1)
	equal(t, "why", gap.Why[0], beatsLost)
}

// A start-up whose first beat may have been lost is in doubt, and is no sample:
// the second beat would count as a late first one.
func TestStartLost(t *testing.T) {
	for name, c := range map[string]struct {
		tell    func(*story)
		samples int
		doubt   int
	}{
		"the first beat": {func(s *story) {
			s.gap(10302*ms, rig.Heartbeat, 2*ms)
			pulse(s, 11300*ms, 12300*ms)
		}, 1, 1},
		"the only beat": {func(s *story) { s.gap(10302*ms, rig.Heartbeat, 2*ms) }, 1, 1},
		"a beat when the rail came": {func(s *story) {
			s.gap(10001*ms, rig.Heartbeat, 2*ms)
			pulse(s, 10300*ms)
		}, 1, 1},
		"a beat before": {func(s *story) {
			s.gap(9990*ms, rig.Heartbeat, 2*ms)
			pulse(s, 10300*ms)
		}, 2, 0},
		"a later beat": {func(s *story) {
			pulse(s, 10300*ms)
			s.gap(11302*ms, rig.Heartbeat, 2*ms)
		}, 2, 0},
		"in a dip": {func(s *story) {
			s.begin(10100*ms, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.PowerCycle}})
			s.gap(10302*ms, rig.Heartbeat, 2*ms)
			pulse(s, 11300*ms, 12300*ms)
			s.end(13 * sec)
		}, 1, 1},
	} {
		s := heartStory(t)
		s.mark(2*sec, rig.MarkPowered)
		s.edge(2300*ms, rig.Heartbeat, 1)
		s.mark(5*sec, rig.MarkOff)
		s.edge(5100*ms, rig.Heartbeat, 0)
		s.mark(10*sec, rig.MarkPowered)
		c.tell(s)
		s.mark(14*sec, rig.MarkOff)
		s.close(15 * sec)
		start := find(t, s.set(), StartUp)
		if len(start.Samples) != c.samples || start.Inconc != c.doubt || c.doubt > 0 && start.Why[0] != beatsLost {
			t.Errorf("%s: %d samples %v, doubt %d %q; want %d and %d", name, len(start.Samples), start.Samples, start.Inconc, start.Why, c.samples, c.doubt)
		}
	}
}

func TestJitter(t *testing.T) {
	s := heartStory(t)
	s.mark(0, rig.MarkPowered)
	pulse(s, 100*ms, 1090*ms, 2100*ms, 3100*ms) // gaps of 990, 1010 and 1000 ms
	s.mark(3200*ms, rig.MarkOff)
	s.close(4 * sec)
	set := s.set()
	gap := find(t, set, BeatGap).Summary
	equal(t, "mean", gap.Mean, 1e9)
	equal(t, "sd", gap.SD, 1e7)
	equal(t, "least", gap.Min, int64(990*ms))
	equal(t, "greatest ended", gap.MaxAt, rig.Instant(2100*ms))
	equal(t, "u of a gap", gap.U, 7071068) // two stamps of 5 ms each
	jitter := find(t, set, BeatJitter)
	// s/√(2(n-1)) = 5 ms (JCGM 100, E.4.3), and the stamp's 5 ms.
	equal(t, "jitter", jitter.Samples[0], Sample{Value: 1e7, U: 7071068})
	equal(t, "points", len(set.Beats), 4)
}

// Certified values of NIST StRD: Mavro, as 1e5 (y - 2), and NumAcc1.
func TestSpread(t *testing.T) {
	for _, c := range []struct {
		values   []int64
		mean, sd float64
		tol      float64
	}{
		{[]int64{180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160, 140, 130, 130, 150, 150, 160, 150,
			140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200, 200, 210, 220, 230, 240, 250, 270, 260, 260, 260, 270, 260, 250, 240},
			185.6, 42.9123454003053, 1e-12},
		{[]int64{10000001, 10000003, 10000002}, 10000002, 1, 1e-12},
	} {
		var s spread
		for i, v := range c.values {
			s.add(v, rig.Instant(i))
		}
		if math.Abs(s.mean-c.mean) > c.tol*c.mean || math.Abs(s.sd()-c.sd) > c.tol*c.sd {
			t.Errorf("mean %.15g, sd %.15g; want %v, %v", s.mean, s.sd(), c.mean, c.sd)
		}
	}
}

func TestThin(t *testing.T) {
	var th thin
	const n = 123_457
	for i := range int64(n) {
		v := i % 1000
		if i == 77_777 {
			v = 5000
		}
		th.add(rig.Instant(i*1e6), v)
	}
	high, both := th.highest(), th.extremes()
	if len(high) > maxStretches || len(high) < maxStretches/2 || len(both) > 2*maxStretches {
		t.Fatalf("%d and %d points", len(high), len(both))
	}
	top, last := Point{}, rig.Instant(-1)
	for _, p := range both {
		if p.At < last {
			t.Fatal("points are out of order")
		}
		last = p.At
		if p.Value > top.Value {
			top = p
		}
	}
	equal(t, "highest", top, Point{77_777e6, 5000})
	if last < rig.Instant((n-1000)*1e6) {
		t.Errorf("points end at %v", last)
	}
}
