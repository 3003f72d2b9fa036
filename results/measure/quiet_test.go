package measure

import (
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// TestExposure follows a run of 1000 s and says what counts as dry time.
func TestExposure(t *testing.T) {
	s := newStory(t, rig.Detect, rig.PumpDrip, rig.RelayDUT)
	rise := func(at time.Duration) { s.edge(at, rig.Detect, 1); s.edge(at+sec, rig.Detect, 0) }
	rise(5 * sec) // the DUT is off: no alarm
	s.mark(10*sec, rig.MarkPowered)
	rise(15 * sec)                             // alarm; dry from 10 to 20 s but for the second of the alarm: 9 s
	s.command(20*sec, rig.PumpDrip, 30e6)      // priming
	s.command(30*sec, rig.PumpDrip, 0)         // the sensor may be wet now
	rise(40 * sec)                             // no alarm
	s.begin(100*sec, rig.Trial{Kind: rig.Wet}) // dry until the pump runs: 10 s
	s.command(110*sec, rig.PumpDrip, 30e6)
	s.command(111*sec, rig.PumpDrip, 0)
	s.edge(112*sec, rig.Detect, 1)
	s.end(120 * sec)
	s.begin(120*sec, rig.Trial{Kind: rig.Release})
	s.edge(140*sec, rig.Detect, 0)
	s.end(150 * sec)
	rise(160 * sec)                            // still wet: no alarm
	s.begin(200*sec, rig.Trial{Kind: rig.Dry}) // 100 s but for the alarm's: 99 s
	rise(250 * sec)                            // alarm
	s.end(300 * sec)
	rise(320 * sec)                              // still dry: alarm; 300 to 400 s is 99 s
	s.begin(400*sec, rig.Trial{Kind: rig.Decoy}) // 50 s
	s.command(410*sec, rig.PumpDrip, 1e6)
	s.command(411*sec, rig.PumpDrip, 0)
	s.end(450 * sec)
	s.mark(500*sec, rig.MarkQuiet) // 100 s
	s.mark(600*sec, rig.MarkBusy)  // and stays dry until the dip: 10 s
	s.begin(610*sec, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip}})
	rise(615 * sec) // a dip alarm
	s.end(620 * sec)
	s.gap(650*sec, rig.Detect, 10*sec) // 620 to 700 s is 80 s, less 10 s
	s.mark(700*sec, rig.MarkOff)
	s.mark(800*sec, rig.MarkPowered) // 800 to 900 s is 100 s
	s.add(900*sec, rig.Trip, 0, 0, "tray")
	s.close(1000 * sec)
	set := s.set()

	m := find(t, set, FalseAlarms)
	equal(t, "alarms", m.Count, 3)
	equal(t, "exposure", m.Exposure, (9+10+99+99+50+100+10+70+100)*sec)
	equal(t, "trials to blame", len(m.Trials), 1)
	equal(t, "trial to blame", m.Trials[0], 3)
	equal(t, "trips", len(set.Trips), 1)
	for i, want := range []verdict.Verdict{verdict.Pass, verdict.Pass, verdict.Fail, verdict.Pass, verdict.Fail} {
		equal(t, "verdict", set.Trials[i].Verdict, want)
	}
	equal(t, "reason", set.Trials[2].Reason, "false alarm: detected in a dry trial")
}

// A bench that can't switch the DUT's supply has it on all the time; drops that
// fall between trials wet the sensor.
func TestExposureAlwaysOn(t *testing.T) {
	s := newStory(t, rig.Detect, rig.DropGate)
	s.edge(0, rig.Detect, 1) // its level when the run began
	s.edge(2*sec, rig.Detect, 0)
	s.edge(10*sec, rig.DropGate, 1)
	s.edge(11*sec, rig.Detect, 1)
	s.close(20 * sec)
	m := find(t, s.set(), FalseAlarms)
	equal(t, "alarms", m.Count, 0)
	equal(t, "exposure", m.Exposure, 8*sec)
}

func TestRelease(t *testing.T) {
	for _, c := range []struct {
		name    string
		tell    func(*story)
		verdict verdict.Verdict
		reason  string
		sample  *Sample
	}{
		{"clears", func(s *story) { s.edge(40*sec, rig.Detect, 0) }, verdict.Pass, "", &Sample{Value: 30e9, U: 5e6, Trial: 1}},
		{"clears and flickers", func(s *story) {
			s.edge(40*sec, rig.Detect, 0)
			s.edge(41*sec, rig.Detect, 1)
			s.edge(42*sec, rig.Detect, 0)
		}, verdict.Pass, "", &Sample{Value: 30e9, U: 5e6, Trial: 1}},
		{"clears late", func(s *story) { s.edge(80*sec, rig.Detect, 0) }, verdict.Fail, "cleared after 1m10s, later than 1m0s", &Sample{Value: 70e9, U: 5e6, Trial: 1}},
		{"does not clear", func(s *story) {}, verdict.Fail, "not cleared within 1m20s", &Sample{Value: 80e9, U: 5e6, Censored: true, Trial: 1}},
		{"edges lost", func(s *story) { s.gap(80*sec, rig.Detect, sec) }, verdict.Inconc, "edges were lost", nil},
	} {
		s := newStory(t, rig.Detect)
		s.mark(0, rig.MarkPrimed)
		s.edge(5*sec, rig.Detect, 1)
		s.begin(10*sec, rig.Trial{Kind: rig.Release, Within: time.Minute})
		c.tell(s)
		s.end(90 * sec)
		s.close(100 * sec)
		set := s.set()
		if trial := set.Trials[0]; trial.Verdict != c.verdict || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, trial.Verdict, trial.Reason, c.verdict, c.reason)
		}
		m := find(t, set, ReleaseTime)
		if c.sample == nil {
			equal(t, c.name+": in doubt", m.Inconc, 1)
			continue
		}
		equal(t, c.name+": samples", len(m.Samples), 1)
		equal(t, c.name+": sample", m.Samples[0], *c.sample)
	}
	s := newStory(t, rig.Detect)
	s.begin(0, rig.Trial{Kind: rig.Release})
	s.end(10 * sec)
	s.close(20 * sec)
	equal(t, "nothing to clear", s.set().Trials[0].Reason, "the detect line was clear when drying began")
}

func TestGlitches(t *testing.T) {
	s := newStory(t, rig.Detect, rig.RelayDUT)
	pulse := func(at, width time.Duration) { s.edge(at, rig.Detect, 1); s.edge(at+width, rig.Detect, 0) }
	pulse(sec, ms) // the DUT is off
	s.mark(2*sec, rig.MarkPowered)
	pulse(3*sec, 9*ms)
	pulse(4*sec, 10*ms) // no glitch
	pulse(5*sec, ms)
	s.mark(10*sec, rig.MarkOff)
	pulse(11*sec, ms)
	s.close(20 * sec)
	m := find(t, s.set(), Glitches)
	equal(t, "glitches", m.Count, 2)
	equal(t, "exposure", m.Exposure, 8*sec)
}

// TestAlarmLost: an alarm whose edge was lost is seen in the level that was read
// then, and counts once; a level that brings nothing new counts nothing.
func TestAlarmLost(t *testing.T) {
	s := newStory(t, rig.Detect, rig.RelayDUT)
	s.mark(10*sec, rig.MarkPowered)
	s.gap(20*sec, rig.Detect, 2*ms)
	s.reading(20*sec, rig.Detect, 1) // its rise was lost
	s.edge(21*sec, rig.Detect, 0)
	s.edge(30*sec, rig.Detect, 1)
	s.gap(31*sec, rig.Detect, 2*ms)
	s.reading(31*sec, rig.Detect, 0) // its fall was lost
	s.gap(40*sec, rig.Detect, 2*ms)
	s.reading(40*sec, rig.Detect, 0) // both were
	s.mark(50*sec, rig.MarkOff)
	s.close(60 * sec)
	m := find(t, s.set(), FalseAlarms)
	equal(t, "alarms", m.Count, 2)
	equal(t, "exposure", m.Exposure, 38*sec-4*ms) // 40 s but for two alarms of a second, and for what was unseen while at risk
}
