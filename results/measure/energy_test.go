package measure

import (
	"math"
	"testing"
	"time"

	"drench/rig"
)

// TestStandby has a DUT that draws 3 µW asleep and one burst of 12 mJ at the
// start of every 2 s, 6.003 mW on the whole, and ten times that while busy.
func TestStandby(t *testing.T) {
	s := newStory(t, rig.DUTEnergy, rig.RelayDUT)
	energy := func(at time.Duration) int64 {
		asleep := 3e-6 * at.Seconds()
		bursts := math.Floor(at.Seconds()/2) + 1
		return int64(1e9*(asleep+12e-3*bursts) + 0.5)
	}
	s.mark(0, rig.MarkPowered)
	extra := int64(0)
	for at := time.Duration(0); at <= 2000*sec; at += sec {
		if at > 100*sec && at <= 200*sec { // busy, and more in the first third of the quiet stretch
			extra += 54e6
		}
		s.reading(at, rig.DUTEnergy, energy(at)+extra)
		switch at {
		case 150 * sec:
			s.mark(at, rig.MarkQuiet)
		case 1650 * sec:
			s.mark(at, rig.MarkBusy)
		}
	}
	s.mark(2000*sec, rig.MarkOff)
	s.reading(2001*sec, rig.DUTEnergy, 1e15) // off: no power of the DUT's
	s.close(2002 * sec)
	set := s.set()
	m := find(t, set, Standby)
	// 1500 s, of which 1000 s are left after the first third, in 500 periods
	// (the series is thinned to every other reading). Gain is 1 %, the cuts
	// 6.003 mW × 2 s/(√6 × 1000 s).
	equal(t, "exposure", m.Exposure, 1000*sec)
	if got := m.Samples[0]; math.Abs(float64(got.Value)-6.003e6) > 2 || math.Abs(float64(got.U)-math.Hypot(60030, 4901.4)) > 2 {
		t.Errorf("standby is %+v", got)
	}
	mean := find(t, set, MeanPower)
	equal(t, "powered", mean.Exposure, 2000*sec)
	if want := (6.003e6*2000 + 54e6*100) / 2000; math.Abs(float64(mean.Samples[0].Value)-want) > 2 {
		t.Errorf("mean power is %+v; want %v", mean.Samples[0], want)
	}
}

func TestStandbyInDoubt(t *testing.T) {
	for _, c := range []struct {
		name string
		tell func(*story)
	}{
		{"too short", func(s *story) { s.mark(10*sec, rig.MarkQuiet); s.mark(21*sec, rig.MarkBusy) }}, // 7 s are 3 periods
		{"cut off", func(s *story) { s.mark(10*sec, rig.MarkQuiet); s.mark(90*sec, rig.MarkOff) }},
		{"tripped", func(s *story) { s.mark(10*sec, rig.MarkQuiet); s.add(90*sec, rig.Trip, 0, 0, "lid") }},
	} {
		s := newStory(t, rig.DUTEnergy, rig.RelayDUT)
		s.mark(0, rig.MarkPowered)
		c.tell(s)
		for at := time.Duration(0); at < 100*sec; at += sec {
			s.reading(at, rig.DUTEnergy, int64(at))
		}
		s.close(100 * sec)
		sortEvents(s.events)
		m := find(t, s.set(), Standby)
		if len(m.Samples) != 0 || m.Inconc != 1 {
			t.Errorf("%s: %+v", c.name, *m)
		}
	}
	// Long enough, and open at the end of the run: it ends there.
	s := newStory(t, rig.DUTEnergy)
	for at := time.Duration(0); at <= 100*sec; at += sec {
		if at == 40*sec {
			s.mark(at, rig.MarkQuiet)
		}
		s.reading(at, rig.DUTEnergy, int64(at)/100)
	}
	s.close(100 * sec)
	m := find(t, s.set(), Standby)
	equal(t, "exposure", m.Exposure, 40*sec)
	equal(t, "standby", m.Samples[0].Value, 1e7)
}
