package measure

import (
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

const volt = int64(1e9)

// dip is a bench on which a DUT beats every second and gets a dip from 3.3 V to
// 1.32 V in its first trial, from 20 s to 21 s, read every millisecond; level
// is what its pins get meanwhile.
type dip struct {
	spec    rig.DipSpec
	level   int64
	within  time.Duration
	beats   []time.Duration // after those at 11.5 to 19.5 s
	detect  []time.Duration // rises of the line
	lines   map[time.Duration]string
	unfed   bool          // the rail was down before the supply was closed
	backfed time.Duration // when that was found; 0: it was not
}

// tell makes a story of it; events are in order.
func (d dip) tell(t *testing.T) *story {
	s := newStory(t, rig.Heartbeat, rig.Detect, rig.Rail, rig.UART, rig.RelayDUT)
	s.edge(0, rig.Heartbeat, 0)
	v := int64(400e6)
	if d.unfed {
		v = 10e6
	}
	s.reading(sec, rig.Rail, v)
	s.command(9*sec, rig.RelayDUT, 1)
	s.mark(10*sec, rig.MarkPowered)
	if d.spec.Source == rig.HighImpedance {
		s.command(20*sec, rig.RelayDUT, 0)
		s.command(21*sec, rig.RelayDUT, 1)
	}
	heart := int64(0)
	beat := func(at time.Duration) { heart = 1 - heart; s.edge(at, rig.Heartbeat, heart) }
	for at := 10500 * ms; at < 20*sec; at += sec {
		beat(at)
	}
	if d.spec.Shape == "" {
		d.spec.Shape = rig.VoltageDip
	}
	d.spec.From, d.spec.Width = 3300, sec
	if d.spec.Level == 0 && d.spec.Shape == rig.VoltageDip {
		d.spec.Level = 1320
	}
	s.begin(19900*ms, rig.Trial{Kind: rig.Dip, Within: d.within, Dip: &d.spec})
	for at := 19901 * ms; at < 30*sec; at += ms {
		v := 3300 * volt / 1000
		if at > 20*sec && at <= 21*sec {
			v = d.level
		}
		if at < 22*sec {
			s.reading(at, rig.Rail, v)
		}
		for len(d.beats) > 0 && d.beats[0] <= at {
			beat(d.beats[0])
			d.beats = d.beats[1:]
		}
		for len(d.detect) > 0 && d.detect[0] <= at {
			s.edge(d.detect[0], rig.Detect, 1)
			s.edge(d.detect[0]+ms/2, rig.Detect, 0)
			d.detect = d.detect[1:]
		}
		if text, ok := d.lines[at]; ok {
			s.line(at, text)
		}
	}
	if d.backfed > 0 {
		s.mark(d.backfed, rig.MarkBackfed)
	}
	s.end(30 * sec)
	s.close(31 * sec)
	sortEvents(s.events)
	return s
}

func TestDip(t *testing.T) {
	low, tooHigh := 1320*volt/1000, 1500*volt/1000
	survives := []time.Duration{20500 * ms, 21500 * ms, 22500 * ms}
	restarts := []time.Duration{21700 * ms, 22700 * ms}
	boot := map[time.Duration]string{21200 * ms: "boot 1.2", 21300 * ms: "set threshold=30"}
	for _, c := range []struct {
		name      string
		dip       dip
		verdict   verdict.Verdict
		reason    string
		restarted bool
		recovery  time.Duration // 0: no sample
		censored  bool
		alarms    int
		dead      int // -1: in doubt
		lost      int // settings: -1 in doubt, -2 not measured
	}{
		{"survived", dip{level: low, beats: survives}, verdict.Pass, "", false, 500 * ms, false, 0, 0, -2},
		{"restarted", dip{level: low, beats: restarts, lines: boot}, verdict.Pass, "", true, 700 * ms, false, 0, 0, 0},
		{"banner alone tells of a restart", dip{level: low, beats: survives, lines: boot}, verdict.Pass, "", true, 500 * ms, false, 0, 0, 0},
		{"restart without settings", dip{level: low, beats: restarts, lines: map[time.Duration]string{21200 * ms: "boot"}}, verdict.Pass, "", true, 700 * ms, false, 0, 0, -1},
		{"settings lost", dip{level: low, beats: restarts, lines: map[time.Duration]string{21300 * ms: "set threshold=12"}},
			verdict.Fail, `after the disturbance setting "threshold" is "12" instead of "30"`, true, 700 * ms, false, 0, 0, 1},
		{"recovered late", dip{level: low, beats: []time.Duration{24 * sec}, within: 2 * sec},
			verdict.Fail, "recovered after 2.9995s, later than 2s", true, 2999500 * time.Microsecond, false, 0, 1, -1},
		{"dead", dip{level: low, within: 2 * sec}, verdict.Fail, "no heartbeat within 8.9995s after the disturbance", true, 8999500 * time.Microsecond, true, 0, 1, -2},
		{"a beat in the dip is no recovery", dip{level: low, beats: []time.Duration{20500 * ms}}, verdict.Fail, "no heartbeat within 8.9995s after the disturbance", true, 8999500 * time.Microsecond, true, 0, 1, -2},
		{"alarm", dip{level: low, beats: survives, detect: []time.Duration{20300 * ms, 21100 * ms}},
			verdict.Fail, "false alarm: the detect line rose in a supply disturbance", false, 500 * ms, false, 1, 0, -2},
		{"not reached", dip{level: tooHigh, beats: survives}, verdict.Inconc, "the rail did not reach 1.32 V: its lowest was 1.5 V", false, 0, false, 0, -1, -2},
		{"just reached", dip{level: 1485 * volt / 1000, beats: survives}, verdict.Pass, "", false, 500 * ms, false, 0, 0, -2},
		{"not reached, and dead all the same", dip{level: tooHigh}, verdict.Fail, "no heartbeat within 8.9996s after the disturbance", true, 0, false, 0, 1, -2},
		{"not reached, and alarmed all the same", dip{level: tooHigh, beats: survives, detect: []time.Duration{20300 * ms}},
			verdict.Fail, "false alarm: the detect line rose in a supply disturbance", false, 0, false, 1, -1, -2},
		{"fed from elsewhere", dip{level: low, beats: survives, backfed: 29 * sec},
			verdict.Inconc, "the rail is fed from elsewhere: it did not fall with the DUT's supply open", false, 0, false, 0, -1, -2},
		{"fed from elsewhere, as was found before", dip{level: low, beats: survives, backfed: 5 * sec},
			verdict.Inconc, "the rail is fed from elsewhere: it did not fall with the DUT's supply open", false, 0, false, 0, -1, -2},
		{"high impedance: the DUT's capacitors hold the rail up", dip{spec: rig.DipSpec{Shape: rig.Interruption, Source: rig.HighImpedance}, level: 1600 * volt / 1000, beats: survives},
			verdict.Pass, "", false, 500 * ms, false, 0, 0, -2},
		{"high impedance: the rail did not fall", dip{spec: rig.DipSpec{Shape: rig.Interruption, Source: rig.HighImpedance}, level: 3200 * volt / 1000, beats: survives},
			verdict.Inconc, "the rail did not fall from 3.3 V, and was never seen to be down with the supply open: its lowest was 3.2 V", false, 0, false, 0, -1, -2},
		{"high impedance: it held, but nothing else feeds it", dip{spec: rig.DipSpec{Shape: rig.Interruption, Source: rig.HighImpedance}, level: 3200 * volt / 1000, beats: survives, unfed: true},
			verdict.Pass, "", false, 500 * ms, false, 0, 0, -2},
		{"low impedance: it must reach nothing", dip{spec: rig.DipSpec{Shape: rig.Interruption, Source: rig.LowImpedance}, level: 1600 * volt / 1000, beats: survives},
			verdict.Inconc, "the rail did not reach 0 V: its lowest was 1.6 V", false, 0, false, 0, -1, -2},
	} {
		set := c.dip.tell(t).set()
		trial := set.Trials[0]
		if trial.Verdict != c.verdict || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, trial.Verdict, trial.Reason, c.verdict, c.reason)
		}
		equal(t, c.name+": restarted", trial.Dip.Restarted, c.restarted)
		equal(t, c.name+": alarms", find(t, set, DipAlarms).Count, c.alarms)
		dead := find(t, set, NotRecovered)
		equal(t, c.name+": not recovered", dead.Count-dead.Inconc, c.dead)
		checkSettings(t, c.name, set, c.lost)
		checkRecovery(t, c.name, set, c.recovery, c.censored)
		equal(t, c.name+": false alarms", find(t, set, FalseAlarms).Count, 0)
	}
}

func checkSettings(t *testing.T, name string, set *Set, lost int) {
	t.Helper()
	if lost == -2 {
		noMeasure(t, set, SettingsLost)
		return
	}
	m := find(t, set, SettingsLost)
	equal(t, name+": settings lost", m.Count-m.Inconc, lost)
}

// checkRecovery knows that the rail comes up between readings at 21 s and
// 1 ms later.
func checkRecovery(t *testing.T, name string, set *Set, want time.Duration, censored bool) {
	t.Helper()
	m := find(t, set, DipRecovery)
	if want == 0 {
		if len(m.Samples) != 0 || m.Inconc+find(t, set, NotRecovered).Count == 0 {
			t.Errorf("%s: recovery is %+v", name, *m)
		}
		return
	}
	if len(m.Samples) != 1 {
		t.Errorf("%s: recovery is %+v", name, *m)
		return
	}
	s := m.Samples[0]
	if d := time.Duration(s.Value) - want; d < -2*ms || d > ms || s.Censored != censored || s.U < int64(5*ms) || s.U > int64(6*ms) {
		t.Errorf("%s: recovery is %+v; want %v", name, s, want)
	}
}

func TestDipWidth(t *testing.T) {
	set := dip{level: 1320 * volt / 1000, beats: []time.Duration{21500 * ms}}.tell(t).set()
	seen := set.Trials[0].Dip
	equal(t, "lowest", seen.Lowest, 1320)
	// Both edges cross the middle halfway between two readings.
	equal(t, "width", seen.Width, sec)
}

// A dip that is not as long as asked for is not the stimulus; on a source of
// high impedance the rail's fall is the DUT's own affair.
func TestDipOfOtherWidth(t *testing.T) {
	for _, c := range []struct {
		lasted time.Duration
		source rig.Impedance
		reason string
	}{{90 * ms, "", ""}, {60 * ms, "", "the rail was down for 60ms, not for 100ms"}, {150 * ms, rig.LowImpedance, "the rail was down for 150ms, not for 100ms"}} {
		s := newStory(t, rig.Heartbeat, rig.Rail, rig.RelayDip)
		s.edge(0, rig.Heartbeat, 0)
		pulse(s, sec, 2*sec)
		s.begin(2100*ms, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: 1000, From: 3000, Width: 100 * ms, Source: c.source}})
		for at := 2100 * ms; at < 2600*ms; at += ms {
			v := 3 * volt
			if at > 2200*ms && at <= 2200*ms+c.lasted {
				v = volt
			}
			s.reading(at, rig.Rail, v)
		}
		pulse(s, 3*sec, 4*sec)
		s.end(5 * sec)
		s.close(6 * sec)
		trial := s.set().Trials[0]
		equal(t, "reason", trial.Reason, c.reason)
		equal(t, "inconclusive", trial.Verdict == verdict.Inconc, c.reason != "")
	}
}

// The trial must be long enough to tell.
func TestDipTooShort(t *testing.T) {
	s := newStory(t, rig.Heartbeat, rig.Rail, rig.RelayDip)
	s.edge(0, rig.Heartbeat, 0)
	pulse(s, sec, 2*sec)
	s.begin(2100*ms, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: 1000, From: 3000}})
	s.reading(2100*ms, rig.Rail, 3*volt)
	s.reading(2200*ms, rig.Rail, volt)
	s.reading(2300*ms, rig.Rail, 3*volt)
	s.end(3 * sec)
	s.begin(4*sec, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: 1000, From: 3000}})
	s.reading(4100*ms, rig.Rail, volt)
	s.command(4200*ms, rig.RelayDip, 0)
	s.reading(4300*ms, rig.Rail, volt)
	pulse(s, 5*sec) // the DUT lives on it
	s.end(8 * sec)
	s.begin(9*sec, rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.VoltageDip, Level: 1000, From: 3000}})
	s.end(10 * sec)
	s.begin(11*sec, rig.Trial{Kind: rig.Dip})
	s.end(12 * sec)
	s.close(13 * sec)
	set := s.set()
	for i, want := range []string{"the trial ended before the next heartbeat was due", "the rail did not come back", "the rail was not read", "the trial does not say which disturbance it makes"} {
		equal(t, "verdict", set.Trials[i].Verdict, verdict.Inconc)
		equal(t, "reason", set.Trials[i].Reason, want)
	}
}

// A power cycle gives a start-up time and is dead if no beat comes; lines of a
// DUT that is off say nothing.
func TestPowerCycle(t *testing.T) {
	for _, c := range []struct {
		name    string
		beats   []time.Duration
		verdict verdict.Verdict
		start   Sample
		dead    int
	}{
		{"starts", []time.Duration{20400 * ms, 21400 * ms}, verdict.Pass, Sample{Value: 4e8, U: 5e6, Trial: 1}, 0},
		{"does not start", nil, verdict.Fail, Sample{Value: 10e9, U: 5e6, Trial: 1, Censored: true}, 1},
	} {
		s := newStory(t, rig.Heartbeat, rig.Detect, rig.Rail, rig.RelayDUT)
		s.begin(10*sec, rig.Trial{Kind: rig.Dip, Within: 5 * sec, Dip: &rig.DipSpec{Shape: rig.PowerCycle, From: 3300}})
		s.mark(11*sec, rig.MarkOff)
		s.edge(11100*ms, rig.Detect, 1)
		s.edge(12*sec, rig.Heartbeat, 1) // the line floats
		s.reading(12*sec, rig.Rail, 10e6)
		s.edge(19*sec, rig.Detect, 0)
		s.reading(20*sec, rig.Rail, 3300*volt/1000)
		s.mark(20*sec, rig.MarkPowered)
		for i, at := range c.beats {
			s.edge(at, rig.Heartbeat, int64(i)%2)
		}
		s.end(30 * sec)
		s.mark(30*sec, rig.MarkOff)
		s.close(31 * sec)
		set := s.set()
		equal(t, c.name, set.Trials[0].Verdict, c.verdict)
		equal(t, c.name+": alarms", find(t, set, DipAlarms).Count, 0)
		equal(t, c.name+": dead", find(t, set, NotRecovered).Count, c.dead)
		equal(t, c.name+": start-up", find(t, set, StartUp).Samples[0], c.start)
		noMeasure(t, set, DipRecovery)
	}
}

// Lost heartbeat edges may be all that makes a DUT look dead; a false alarm in
// the same trial stays one.
func TestDipLostEdges(t *testing.T) {
	s := dip{level: 1320 * volt / 1000, detect: []time.Duration{20300 * ms}}.tell(t)
	s.gap(29*sec, rig.Heartbeat, 5*sec)
	sortEvents(s.events)
	set := s.set()
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Fail)
	equal(t, "dead", find(t, set, NotRecovered).Count, 0)
	equal(t, "dead in doubt", find(t, set, NotRecovered).Inconc, 1)
	equal(t, "alarms", find(t, set, DipAlarms).Count, 1)
}
