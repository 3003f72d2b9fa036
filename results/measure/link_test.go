package measure

import (
	"testing"
	"time"

	"drench/rig"
)

// TestLetGo: while the DUT's UART is let go its lines are no evidence, and
// those that do not come are missed by nobody.
func TestLetGo(t *testing.T) {
	for name, c := range map[string]struct {
		tell     func(*story)
		compared int // readings against the detect line
		wrong    int
		doubts   int // of settings
	}{
		"held": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			s.line(2*sec, "r 900 400 1")
			s.line(4*sec, "r 500 3 0")
		}, 2, 1, 0},
		"before it was taken": {func(s *story) { s.line(2*sec, "r 900 400 1") }, 0, 0, 0},
		"let go again": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			s.line(2*sec, "r 500 3 0")
			s.command(3*sec, rig.UARTLink, 0)
			s.line(4*sec, "r 900 400 1")
		}, 1, 0, 0},
		"undecided when let go": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			s.line(2*sec, "r 900 400 1")
			s.command(2500*ms, rig.UARTLink, 0)
		}, 0, 0, 0},
		"restart heard": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			dipped(s, 12*sec, 13*sec)
		}, 0, 0, 1},
		"restart before it was taken again": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			dipped(s, 12*sec, 18*sec)
		}, 0, 0, 0},
		"never taken again": {func(s *story) {
			s.command(sec, rig.UARTLink, 1)
			dipped(s, 12*sec, 100*sec)
		}, 0, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStory(t, rig.Detect, rig.Heartbeat, rig.UART, rig.UARTLink, rig.RelayDip, rig.Rail)
			s.mark(0, rig.MarkPowered)
			c.tell(s)
			s.close(200 * sec)
			sortEvents(s.events)
			set := s.set()
			n, wrong, doubts := 0, 0, 0
			if m := set.Find(Disagreement); m != nil {
				n, wrong = m.N, m.Count
			}
			if m := set.Find(SettingsLost); m != nil {
				doubts = m.Inconc
			}
			equal(t, "compared", n, c.compared)
			equal(t, "wrong", wrong, c.wrong)
			equal(t, "doubts about settings", doubts, c.doubts)
		})
	}
}

// dipped tells of a second's interruption at 12 s, before which the UART is let
// go, and after which the DUT beats again from 16 s on.
func dipped(s *story, at, taken time.Duration) {
	for beat := 500 * ms; beat < at; beat += sec {
		s.edge(beat, rig.Heartbeat, int64(beat/sec)%2)
	}
	s.command(at-500*ms, rig.UARTLink, 0)
	s.begin(at-400*ms, rig.Trial{Kind: rig.Dip, Within: 10 * sec, Dip: &rig.DipSpec{Shape: rig.Interruption, From: 3300, Width: sec}})
	s.command(at, rig.RelayDip, 1)
	s.command(at+sec, rig.RelayDip, 0)
	for beat := at + 4*sec; beat < at+20*sec; beat += sec {
		s.edge(beat, rig.Heartbeat, int64(beat/sec)%2)
	}
	if taken < at+20*sec {
		s.command(taken, rig.UARTLink, 1)
	}
	s.end(at + 25*sec)
}
