package measure

import (
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// wetTrial is one wet trial from 10 s to 20 s on a bench with the channels
// named; tell adds what happened in it.
func wetTrial(t *testing.T, channels []string, spec rig.Trial, tell func(*story)) *Set {
	t.Helper()
	s := newStory(t, append([]string{rig.Detect, rig.PumpDrip, rig.PumpSpray, rig.RelayDUT}, channels...)...)
	s.mark(0, rig.MarkPowered)
	spec.Kind = rig.Wet
	s.begin(10*sec, spec)
	tell(s)
	s.end(20 * sec)
	s.close(30 * sec)
	return s.set()
}

func TestWettingSource(t *testing.T) {
	witness, gate := []string{rig.Witness}, []string{rig.DropGate}
	both := []string{rig.Witness, rig.DropGate}
	for _, c := range []struct {
		name     string
		channels []string
		tell     func(*story)
		source   Source
		latency  time.Duration
		u        time.Duration // root of the sum of squares of source, stamp and stamp of the detect edge
	}{
		// The witness is 5 ms late: wetting at 11.495 s; u = √(12² + 5² + 5²).
		{"witness", witness, func(s *story) { s.edge(11500*ms, rig.Witness, 1) }, FromWitness, 1505 * ms, 13928388},
		// A drop falls 143 ms: wetting at 11.443 s; u = √(4² + 5² + 5²).
		{"gate", gate, func(s *story) { s.edge(11300*ms, rig.DropGate, 1) }, FromGate, 1557 * ms, 8124038},
		{"gate, silent witness", both, func(s *story) { s.edge(11300*ms, rig.DropGate, 1) }, FromGate, 1557 * ms, 8124038},
		{"witness before gate", both, func(s *story) { s.edge(11300*ms, rig.DropGate, 1); s.edge(11500*ms, rig.Witness, 1) }, FromWitness, 1505 * ms, 13928388},
		// Pump at 11 s and 400 ms of lag; u = √(60² + 5²).
		{"drip pump", nil, func(s *story) {}, FromPump, 1600 * ms, 60207973},
	} {
		set := wetTrial(t, c.channels, rig.Trial{Within: 5 * sec}, func(s *story) {
			s.command(11*sec, rig.PumpDrip, 30e6)
			c.tell(s)
			s.command(12*sec, rig.PumpDrip, 0)
			s.edge(13*sec, rig.Detect, 1)
		})
		trial := set.Trials[0]
		if trial.Wetting == nil {
			t.Errorf("%s: no wetting: %s", c.name, trial.Reason)
			continue
		}
		equal(t, c.name+": source", trial.Wetting.Source, c.source)
		equal(t, c.name+": latency", trial.Latency, c.latency)
		equal(t, c.name+": u", trial.U, c.u)
		equal(t, c.name+": verdict", trial.Verdict, verdict.Pass)
		m := find(t, set, Latency)
		equal(t, c.name+": samples", len(m.Samples), 1)
		equal(t, c.name+": sample", m.Samples[0], Sample{Value: int64(c.latency), U: int64(c.u), Trial: 1})
	}
	set := wetTrial(t, nil, rig.Trial{Rate: 3 * rig.MmPerMin}, func(s *story) {
		s.command(11*sec, rig.PumpSpray, 10e6)
		s.edge(13*sec, rig.Detect, 1)
	})
	equal(t, "spray: wetting", set.Trials[0].Wetting.At, rig.Instant(11700*ms)) // its own lag of 700 ms
}

// TestStimulusInDoubt: whatever keeps a wet trial from meaning anything makes it
// inconclusive, and its measures say so.
func TestStimulusInDoubt(t *testing.T) {
	pump := func(s *story) { s.command(11*sec, rig.PumpDrip, 30e6) }
	answer := func(s *story) { s.edge(13*sec, rig.Detect, 1) }
	for _, c := range []struct {
		name     string
		channels []string
		spec     rig.Trial
		tell     func(*story)
		reason   string
	}{
		{"nothing spoke", []string{rig.Witness, rig.DropGate}, rig.Trial{}, func(s *story) { pump(s); answer(s) },
			"stimulus not confirmed: the pump ran but neither witness nor drop gate saw water"},
		{"no witness", []string{rig.Witness}, rig.Trial{}, func(s *story) { pump(s); answer(s) },
			"stimulus not confirmed: the pump ran but the witness saw no water"},
		{"no drop", []string{rig.DropGate}, rig.Trial{}, func(s *story) { pump(s); answer(s) },
			"stimulus not confirmed: the pump ran but the drop gate saw no drop"},
		{"no water", nil, rig.Trial{}, func(s *story) {}, "stimulus not confirmed: no water was commanded and none was seen"},
		{"pump set to nothing", nil, rig.Trial{}, func(s *story) { s.command(11*sec, rig.PumpDrip, 0) },
			"stimulus not confirmed: no water was commanded and none was seen"},
		{"water too late", nil, rig.Trial{}, func(s *story) { s.command(19700*ms, rig.PumpDrip, 30e6) },
			"the trial ended before the water arrived"},
		// 8 drops of 50 µl are allowed 8 ± (1.5 + 3 × 1 % × 8) drops: 6.26 to 9.74.
		{"six drops of eight", []string{rig.DropGate}, rig.Trial{Dose: 400 * rig.Microlitre}, func(s *story) { drops(s, 6); answer(s) },
			"wrong dose: the drop gate counted 6 drops, about 300 µl, of 400 µl"},
		{"ten drops of eight", []string{rig.DropGate}, rig.Trial{Dose: 400 * rig.Microlitre}, func(s *story) { drops(s, 10); answer(s) },
			"wrong dose: the drop gate counted 10 drops, about 500 µl, of 400 µl"},
		{"lost detect edges", nil, rig.Trial{}, func(s *story) { pump(s); s.gap(12*sec, rig.Detect, sec); answer(s) }, "edges were lost"},
		{"lost drops", []string{rig.DropGate}, rig.Trial{}, func(s *story) { drops(s, 8); s.gap(12*sec, rig.DropGate, sec); answer(s) }, "edges were lost"},
	} {
		set := wetTrial(t, c.channels, c.spec, c.tell)
		trial := set.Trials[0]
		if trial.Verdict != verdict.Inconc || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want inconc, %q", c.name, trial.Verdict, trial.Reason, c.reason)
		}
		for _, name := range []string{Latency, Missed} {
			m := find(t, set, name)
			if m.Inconc != 1 || len(m.Why) != 1 || m.Why[0] != c.reason || m.N != 0 || len(m.Samples) != 0 {
				t.Errorf("%s: %s is %+v", c.name, name, *m)
			}
		}
	}
}

// drops lets n drops fall from 11.2 s on.
func drops(s *story, n int) {
	s.command(11*sec, rig.PumpDrip, 30e6)
	for i := range n {
		at := 11200*ms + time.Duration(i)*100*ms
		s.edge(at, rig.DropGate, 1)
		s.edge(at+10*ms, rig.DropGate, 0)
	}
}

func TestDoseWithinTolerance(t *testing.T) {
	for _, n := range []int{7, 8, 9} {
		set := wetTrial(t, []string{rig.DropGate}, rig.Trial{Dose: 400 * rig.Microlitre}, func(s *story) {
			drops(s, n)
			s.edge(13*sec, rig.Detect, 1)
		})
		equal(t, "verdict", set.Trials[0].Verdict, verdict.Pass)
		equal(t, "drops", set.Trials[0].Drops, n)
	}
}

func TestWetAnswers(t *testing.T) {
	wetted := func(s *story) { s.edge(11005*ms, rig.Witness, 1) } // wet at 11 s
	for _, c := range []struct {
		name    string
		tell    func(*story)
		verdict verdict.Verdict
		reason  string
		missed  int
		sample  Sample // zero: none
		alarms  int
	}{
		{"in time", func(s *story) { wetted(s); s.edge(13*sec, rig.Detect, 1) }, verdict.Pass, "", 0, Sample{Value: 2e9}, 0},
		{"too late", func(s *story) { wetted(s); s.edge(16500*ms, rig.Detect, 1) }, verdict.Fail, "detected after 5.5s, later than 5s", 1, Sample{Value: 55e8}, 0},
		{"never", wetted, verdict.Fail, "not detected within 9s", 1, Sample{Value: 9e9, Censored: true}, 0},
		{"flicker counts from its first edge", func(s *story) {
			wetted(s)
			s.edge(12*sec, rig.Detect, 1)
			s.edge(12100*ms, rig.Detect, 0)
			s.edge(13*sec, rig.Detect, 1)
		}, verdict.Pass, "", 0, Sample{Value: 1e9}, 0},
		{"before any sign of water", func(s *story) { s.edge(10500*ms, rig.Detect, 1); wetted(s) },
			verdict.Fail, "false alarm: detected before any water was given", 0, Sample{}, 1},
		// u is 13.9 ms: 41.8 ms are what it explains.
		{"before the water, though the pump ran", func(s *story) {
			s.command(10500*ms, rig.PumpDrip, 30e6)
			s.edge(10950*ms, rig.Detect, 1)
			wetted(s)
		}, verdict.Fail, "false alarm: detected 50ms before the water arrived", 0, Sample{}, 1},
		{"with the water, within the uncertainty", func(s *story) {
			s.command(10500*ms, rig.PumpDrip, 30e6)
			s.edge(10960*ms, rig.Detect, 1)
			wetted(s)
		}, verdict.Pass, "", 0, Sample{Value: -40e6}, 0},
	} {
		set := wetTrial(t, []string{rig.Witness}, rig.Trial{Within: 5 * sec}, c.tell)
		trial := set.Trials[0]
		if trial.Verdict != c.verdict || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, trial.Verdict, trial.Reason, c.verdict, c.reason)
		}
		equal(t, c.name+": missed", find(t, set, Missed).Count, c.missed)
		equal(t, c.name+": false alarms", find(t, set, FalseAlarms).Count, c.alarms)
		latency := find(t, set, Latency)
		if c.sample == (Sample{}) {
			equal(t, c.name+": samples", len(latency.Samples), 0)
			equal(t, c.name+": in doubt", latency.Inconc, 1)
			continue
		}
		c.sample.U, c.sample.Trial = 13928388, 1
		equal(t, c.name+": samples", len(latency.Samples), 1)
		equal(t, c.name+": sample", latency.Samples[0], c.sample)
		equal(t, c.name+": of", find(t, set, Missed).N, 1)
	}
}

// A detect line that is on when a trial begins can't answer.
func TestNotCleared(t *testing.T) {
	for _, spec := range []rig.Trial{{Kind: rig.Wet}, {Kind: rig.Wet, Film: rig.GramPerM2}, {Kind: rig.Dry}, {Kind: rig.Decoy}} {
		s := newStory(t, rig.Detect, rig.PumpDrip)
		s.mark(0, rig.MarkPrimed)
		s.edge(5*sec, rig.Detect, 1)
		s.begin(10*sec, spec)
		s.end(20 * sec)
		s.close(30 * sec)
		trial := s.set().Trials[0]
		if trial.Verdict != verdict.Inconc || trial.Reason != notCleared {
			t.Errorf("%s: %v, %q", spec.Kind, trial.Verdict, trial.Reason)
		}
	}
}

// Lost edges may be reported after the trial that they belong to.
func TestLateGap(t *testing.T) {
	s := newStory(t, rig.Detect, rig.PumpDrip, rig.Heartbeat)
	for at := 10 * sec; at < 40*sec; at += 10 * sec {
		s.begin(at, rig.Trial{Kind: rig.Wet})
		s.command(at+sec, rig.PumpDrip, 30e6)
		s.command(at+2*sec, rig.PumpDrip, 0)
		s.edge(at+3*sec, rig.Detect, 1)
		s.edge(at+4*sec, rig.Detect, 0)
		s.end(at + 5*sec)
	}
	s.gap(36*sec, rig.Detect, 2*sec) // reaches into the third trial
	s.begin(40*sec, rig.Trial{Kind: rig.Dry})
	s.edge(41*sec, rig.Detect, 1)
	s.end(42 * sec)
	s.gap(43*sec, rig.Detect, 2*sec) // a false alarm stays one
	s.gap(50*sec, rig.Heartbeat, 45*sec)
	s.close(60 * sec)
	set := s.set()
	for i, want := range []verdict.Verdict{verdict.Pass, verdict.Pass, verdict.Inconc, verdict.Fail} {
		equal(t, "verdict", set.Trials[i].Verdict, want)
	}
	equal(t, "lost", set.Lost, 3)
	latency := find(t, set, Latency)
	equal(t, "samples", len(latency.Samples), 2)
	equal(t, "in doubt", latency.Inconc, 1)
	equal(t, "alarms", find(t, set, FalseAlarms).Count, 1)
}

// The stamp's known bias comes off every edge, but not off commands.
func TestStampBias(t *testing.T) {
	s := newStory(t, rig.Detect, rig.PumpDrip)
	s.header.Calibration.Stamp.Lag = 7 * ms
	s.begin(10*sec, rig.Trial{Kind: rig.Wet})
	s.command(11*sec, rig.PumpDrip, 30e6)
	s.edge(13*sec, rig.Detect, 1)
	s.end(14 * sec)
	s.close(15 * sec)
	trial := s.set().Trials[0]
	equal(t, "latency", trial.Latency, 1593*ms)
	equal(t, "detect", trial.DetectAt, rig.Instant(12993*ms))
}
