package measure

import (
	"math"
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"

	"pgregory.net/rapid"
)

// ramp is a rail that goes from 3.3 V down to bottom and up again at 100 mV/s
// from 10 s on, and a DUT on it that beats every second, prints a reading every
// two, stops below stop and starts above start.
type ramp struct {
	bottom, stop, start float64 // V
	phase, boot         time.Duration
	uart, silent        bool
	banner, collapses   bool // at start; the heartbeat line falls as the DUT stops
	level               rig.Millivolt
	end                 time.Duration // 0: when the rail is up again
}

func (r ramp) rail(at time.Duration) float64 {
	down := 3.3 - 0.1*(at-10*sec).Seconds()
	turn := 10 + (3.3-r.bottom)/0.1
	up := r.bottom + 0.1*(at.Seconds()-turn)
	return min(3.3, max(down, up))
}

func (r ramp) story(t *testing.T) *story {
	s := newStory(t, rig.Heartbeat, rig.Rail, rig.UART, rig.Detect)
	s.edge(0, rig.Heartbeat, 0)
	end := 12*sec + time.Duration(2*(3.3-r.bottom)/0.1*1e9)
	if r.end > 0 {
		end = r.end
	}
	heart, alive, next, print := int64(0), true, r.phase, r.phase+300*ms
	for at := time.Duration(0); at < end; at += 10 * ms {
		if at == 10*sec {
			s.begin(at, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.Ramp, From: 3300, Level: r.level}})
		}
		v := 3.3
		if at >= 10*sec {
			v = r.rail(at)
			s.reading(at, rig.Rail, int64(v*1e9))
		}
		switch {
		case alive && v < r.stop:
			alive = false
			if r.collapses && heart == 1 {
				heart = 0
				s.edge(at, rig.Heartbeat, 0)
			}
		case !alive && v > r.start:
			alive, next, print = true, at+r.boot, at+r.boot+300*ms
			if r.banner && r.uart {
				s.line(at+r.boot/2, "boot")
			}
		}
		if alive && at >= next && !r.silent {
			heart = 1 - heart
			s.edge(at, rig.Heartbeat, heart)
			next += sec
		}
		if alive && at >= print && r.uart {
			s.line(at, "r 500 3")
			print += 2 * sec
		}
	}
	s.end(end)
	s.close(end + sec)
	return s
}

// TestRampFindsVoltages: wherever the DUT stops and starts, the values found
// are off by no more than the limits of the rectangular laws that make up
// their uncertainty.
func TestRampFindsVoltages(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := ramp{
			bottom: 1.5,
			stop:   rapid.Float64Range(1.7, 2.8).Draw(rt, "stop"),
			phase:  time.Duration(rapid.IntRange(0, 99).Draw(rt, "phase")) * 10 * ms,
			boot:   time.Duration(rapid.IntRange(1, 50).Draw(rt, "boot")) * 10 * ms,
			uart:   rapid.Bool().Draw(rt, "uart"),
			banner: rapid.Bool().Draw(rt, "banner"), collapses: rapid.Bool().Draw(rt, "collapses"),
		}
		r.start = r.stop + rapid.Float64Range(0.02, 0.4).Draw(rt, "hysteresis")
		set := r.story(t).set()
		trial := set.Trials[0]
		if trial.Verdict != verdict.Pass || !trial.Dip.Restarted {
			rt.Fatalf("%v, %q", trial.Verdict, trial.Reason)
		}
		// A second between beats is 100 mV, half a second of start-up 50 mV; a
		// reading is 1 mV off, a line 16 ms.
		for name, c := range map[string]struct{ truth, half float64 }{DropOut: {r.stop, 0.05}, Recovery: {r.start, 0.025}} {
			s := find(t, set, name).Samples[0]
			if off := math.Abs(float64(s.Value)/1e9 - c.truth); off > c.half+0.004 {
				rt.Fatalf("%s is %v V; truth %v", name, float64(s.Value)/1e9, c.truth)
			}
			if find(t, set, Chatter).Count != 0 {
				rt.Fatal("a DUT that stops once chatters")
			}
			if u := float64(s.U) / 1e9; u < 0.005 || u > c.half/math.Sqrt(3)+0.005 || s.Censored {
				rt.Fatalf("%s is %+v", name, s)
			}
		}
	})
}

func TestRamp(t *testing.T) {
	for _, c := range []struct {
		name     string
		ramp     ramp
		verdict  verdict.Verdict
		reason   string
		dropOut  *Sample
		recovery *Sample
	}{
		// The last beat comes at 20.5 s and 2.25 V, the next was due at 2.15 V;
		// u is 50 mV/√3 with 5 mV. The first comes 0.4 s after 2.4 V, at 2.44 V,
		// half a second before which the rail was at 2.39 V; u is 25 mV/√3 with
		// 5 mV.
		{"stops and starts", ramp{bottom: 1.5, stop: 2.2, start: 2.4, phase: 500 * ms, boot: 400 * ms}, verdict.Pass, "",
			&Sample{Value: 2200e6, U: 29297326, Trial: 1}, &Sample{Value: 2416e6, U: 15275252, Trial: 1}},
		// The line was high from 20.5 s on and falls at 21 s, 2.2 V.
		{"falls with its line", ramp{bottom: 1.5, stop: 2.2, start: 2.4, phase: 500 * ms, boot: 400 * ms, collapses: true}, verdict.Pass, "",
			&Sample{Value: 2200e6, U: 5e6, Trial: 1}, &Sample{Value: 2416e6, U: 15275252, Trial: 1}},
		{"runs down to the bottom", ramp{bottom: 1.5, stop: 1, start: 1.2, level: 1500}, verdict.Pass, "",
			&Sample{Value: 1500e6, U: 5e6, Censored: true, Trial: 1}, nil},
		{"does not start again", ramp{bottom: 1.5, stop: 2.2, start: 9, phase: 500 * ms}, verdict.Fail, "did not start again up to 3.3 V",
			&Sample{Value: 2200e6, U: 29297326, Trial: 1}, &Sample{Value: 3300e6, U: 5e6, Censored: true, Trial: 1}},
		{"rail did not go down", ramp{bottom: 2.8, stop: 2.2, start: 2.4, level: 1500}, verdict.Inconc, "the rail did not reach 1.5 V: its lowest was 2.8 V", nil, nil},
		{"nothing to see", ramp{bottom: 1.5, stop: 2.2, start: 2.4, silent: true}, verdict.Inconc, "the DUT gave no sign of life on the ramp", nil, nil},
	} {
		set := c.ramp.story(t).set()
		trial := set.Trials[0]
		if trial.Verdict != c.verdict || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, trial.Verdict, trial.Reason, c.verdict, c.reason)
		}
		for name, want := range map[string]*Sample{DropOut: c.dropOut, Recovery: c.recovery} {
			m := set.Find(name)
			switch {
			case want == nil && (m == nil || len(m.Samples) == 0):
			case want == nil || m == nil || len(m.Samples) != 1:
				t.Errorf("%s: %s is %+v; want %+v", c.name, name, m, want)
			default:
				got := m.Samples[0]
				if math.Abs(float64(got.Value-want.Value)) > 2e6 || math.Abs(float64(got.U-want.U)) > 2e5 || got.Censored != want.Censored || got.Trial != 1 {
					t.Errorf("%s: %s is %+v; want %+v", c.name, name, got, *want)
				}
			}
		}
	}
}

// A DUT that resets again and again at its threshold makes more edges than a
// healthy one: at most one of the detect line and of this heartbeat a second.
func TestChatter(t *testing.T) {
	s := newStory(t, rig.Heartbeat, rig.Rail, rig.Detect)
	s.edge(0, rig.Heartbeat, 0)
	s.begin(0, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.Ramp, From: 3300}})
	s.reading(0, rig.Rail, 3300*volt/1000)
	pulse(s, sec, 2*sec, 2300*ms, 2600*ms, 3600*ms) // two too many
	s.edge(4*sec, rig.Detect, 1)
	s.edge(4100*ms, rig.Detect, 0) // one too many
	s.edge(4600*ms, rig.Heartbeat, 0)
	s.edge(5600*ms, rig.Heartbeat, 1)
	s.reading(6*sec, rig.Rail, 0)
	s.end(6 * sec)
	s.close(7 * sec)
	m := find(t, s.set(), Chatter)
	equal(t, "chatter", m.Count, 3)
}
