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
