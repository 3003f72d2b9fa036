package measure

import (
	"fmt"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/timeline"
)

func TestDisagreement(t *testing.T) {
	for _, c := range []struct {
		name    string
		tell    func(*story)
		n, want int
	}{
		{"agree", func(s *story) { s.line(20*sec, "r 500 3 0"); s.line(40*sec, "r 900 400 1") }, 2, 0},
		{"just before the edge", func(s *story) { s.line(28*sec, "r 900 400 1") }, 1, 0},
		{"long before the edge", func(s *story) { s.line(27999*ms, "r 900 400 1") }, 1, 1},
		{"just after the edge, by the bridge's lag too", func(s *story) { s.line(32016*ms, "r 500 3 0") }, 1, 0},
		{"long after the edge", func(s *story) { s.line(32017*ms, "r 500 3 0") }, 1, 1},
		{"says wet all the time", func(s *story) {
			for at := sec; at < 30*sec; at += 2 * sec {
				s.line(at, "r 900 400 1") // at 1, 3 … 29 s; that at 29 s is right
			}
		}, 15, 14},
		{"undecided at the end", func(s *story) { s.line(59*sec, "r 500 3 0") }, 0, 0},
		{"undecided as the supply goes", func(s *story) { s.line(49*sec, "r 500 3 0"); s.mark(50*sec, rig.MarkOff) }, 0, 0},
		{"without supply", func(s *story) { s.mark(sec, rig.MarkOff); s.line(2*sec, "r 900 400 1") }, 0, 0},
		{"in a dip", func(s *story) {
			s.begin(2*sec, rig.Trial{Kind: rig.Dip})
			s.line(3*sec, "r 900 400 1")
			s.end(10 * sec)
		}, 0, 0},
		{"no such group", func(s *story) { s.line(20*sec, "r 500 3"); s.line(21*sec, "noise") }, 0, 0},
	} {
		s := newStory(t, rig.Detect, rig.UART)
		s.mark(0, rig.MarkPrimed)
		c.tell(s)
		s.edge(30*sec, rig.Detect, 1)
		s.close(60 * sec)
		sortEvents(s.events)
		set := s.set()
		if c.n == 0 {
			noMeasure(t, set, Disagreement)
			continue
		}
		m := find(t, set, Disagreement)
		equal(t, c.name+": compared", m.N, c.n)
		equal(t, c.name+": disagree", m.Count, c.want)
	}
}

func TestSettings(t *testing.T) {
	s := newStory(t, rig.UART)
	s.line(sec, "set threshold=30")
	s.line(2*sec, "set threshold=31")
	s.line(3*sec, "unset")
	s.close(4 * sec)
	m := find(t, s.set(), SettingsLost)
	equal(t, "lines", m.N, 2)
	equal(t, "lost", m.Count, 1)
}

// The dry level is the mean before the sensor may have been wet, of 2, 5, 4
// and 5; a trial begins with the last reading, if it is fresh.
func TestCarryOver(t *testing.T) {
	s := newStory(t, rig.Detect, rig.PumpDrip, rig.UART)
	reading := func(at time.Duration, diff int) { s.line(at, fmt.Sprintf("r 500 %d", diff)) }
	reading(sec, 2)
	reading(3*sec, 5)
	reading(5*sec, 4)
	for i, diff := range []int{5, 30, 90} {
		at := time.Duration(i+1) * 10 * sec
		reading(at-sec, diff)
		if i == 2 {
			at += 3 * sec // three seconds are more than one and a half periods
		}
		s.begin(at, rig.Trial{Kind: rig.Wet})
		s.command(at+sec, rig.PumpDrip, 30e6)
		reading(at+2*sec, 400)
		s.end(at + 6*sec)
	}
	s.close(60 * sec)
	m := find(t, s.set(), CarryOver)
	equal(t, "samples", len(m.Samples), 2)
	equal(t, "first", m.Samples[0], Sample{Value: 1, Trial: 1})
	equal(t, "second", m.Samples[1], Sample{Value: 26, Trial: 2})
}

// Dew wets a sensor too, though no pump runs.
func TestCarryOverOfDew(t *testing.T) {
	s := newStory(t, rig.Detect, rig.UART, rig.AirTemp, rig.AirRH, rig.PlateTemp)
	s.line(0, "r 500 2")
	s.line(2*sec, "r 500 2")
	for at := 3 * sec; at < 103*sec; at += 50 * sec {
		s.begin(at, rig.Trial{Kind: rig.Wet, Film: 30 * rig.GramPerM2})
		airAndPlate(s, at, at+20*sec, coldPlate)
		s.line(at+20*sec, "r 900 402")
		s.end(at + 49*sec)
		s.line(at+49500*ms, "r 900 12")
	}
	s.close(110 * sec)
	m := find(t, s.set(), CarryOver)
	equal(t, "samples", len(m.Samples), 2)
	equal(t, "first", m.Samples[0], Sample{Value: 0, Trial: 1})
	equal(t, "second", m.Samples[1], Sample{Value: 10, Trial: 2})
}

func TestBadPattern(t *testing.T) {
	h := timeline.Header{Device: rig.DUT{UART: rig.UARTSpec{Banner: "("}}}
	if set, err := Extract(h, all(nil, nil)); err == nil || set != nil {
		t.Errorf("an unreadable pattern gives %v, %v", set, err)
	}
}
