package virtual

import (
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// story is what a rig sees of a short life: power-up, a quiet time, water, a
// dip, a slow ramp.
type story struct {
	startUp    time.Duration // relay to heartbeat, 0 if none came
	current    float64       // A, mean of the quiet time
	linkLost   bool
	quiet      []rig.Event
	drops      int
	witnessed  bool
	latency    time.Duration // witness, or dose, to detect; 0 if none came
	lied       bool          // a printed reading contradicts the line
	cleared    bool
	dip        []rig.Event
	railInDip  float64 // V, 1 ms after the dip switch
	railOpen   float64 // V, long after the supply line was opened
	settings   string  // that it printed after the dip
	ramp       []rig.Event
	stoppedAt  float64 // V, on the ramp
	interlocks map[rig.ID]bool
	stuck      []rig.ID // interlock inputs that a test does not open
}

func tell(t *testing.T, c Config) story {
	t.Helper()
	p := readProfile(t, "testdata/conductive.yaml")
	d := newDriver(t, c, p, 3)
	s := story{interlocks: map[rig.ID]bool{}}
	d.set(rig.SupplySet, 3300*milli)
	d.set(rig.DipRail, 0)
	d.run(100 * time.Millisecond)
	d.set(rig.RelayDUT, 1)
	on := d.b.Now()
	if ev, ok := d.edge(rig.Heartbeat, 1, 5*time.Second); ok {
		s.startUp = ev.At.Sub(on)
	}
	d.ask(rig.DUTCurrent)
	d.run(5 * time.Minute)
	s.quiet, d.events = d.events, nil
	s.current = float64(d.ask(rig.DUTCurrent)) / 1e9
	_, err := d.b.Ask(d.ctx, chSupply)
	if err != nil {
		_, err = d.b.Set(d.ctx, chSupply, 0)
		s.linkLost = err != nil
	}

	s.water(d)
	for _, ev := range append(s.quiet, d.events...) {
		if ev.Kind == rig.Edge && ev.Value == 0 && ev.Channel >= chEStop && ev.Channel <= chReservoir {
			s.interlocks[ev.Channel] = true
		}
	}
	d.events = nil
	s.disturb(d)
	s.test(d)
	return s
}

// test opens the loops that can be opened.
func (s *story) test(d *driver) {
	d.set(rig.LoopTest, 1)
	d.run(50 * time.Millisecond)
	for _, ch := range []rig.ID{chEStop, chTray} {
		if d.b.w.wires.level[ch] == 1 {
			s.stuck = append(s.stuck, ch)
		}
	}
	d.set(rig.LoopTest, 0)
}

// water fills the line, doses and dries.
func (s *story) water(d *driver) {
	dry := func() bool {
		d.set(rig.ValveAir, 1)
		defer d.set(rig.ValveAir, 0)
		d.run(30 * time.Second)
		return d.ask(rig.Detect) == 0
	}
	d.dose(3*rig.Millilitre, 30*rig.MlPerMin)
	dry()
	d.events = nil
	d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
	begin := d.b.Now()
	d.run(400 * time.Millisecond)
	d.set(rig.PumpDrip, 0)
	d.run(5 * time.Second)
	s.drops = d.gateCount()
	for _, ev := range d.events {
		switch {
		case ev.Kind == rig.Edge && ev.Channel == chWitness:
			s.witnessed, begin = true, ev.At
		case ev.Kind == rig.Edge && ev.Channel == chDetect && ev.Value == 1 && s.latency == 0:
			s.latency = ev.At.Sub(begin)
		case ev.Kind == rig.Line && ev.At > begin.Add(3*time.Second):
			s.lied = s.lied || strings.HasSuffix(ev.Text, "1") != (d.ask(rig.Detect) == 1)
		}
	}
	s.cleared = dry()
}

// disturb interrupts the supply for 10 ms, opens it for long, and ramps it.
func (s *story) disturb(d *driver) {
	d.set(rig.RelayDip, 1)
	d.run(time.Millisecond)
	s.railInDip = float64(d.ask(rig.Rail)) / 1e9
	d.run(9 * time.Millisecond)
	d.set(rig.RelayDip, 0)
	d.run(8 * time.Second)
	s.dip, d.events = d.events, nil
	for _, ev := range s.dip {
		if ev.Kind == rig.Line && strings.HasPrefix(ev.Text, "settings") {
			s.settings = ev.Text
		}
	}
	d.set(rig.RelayDUT, 0)
	d.run(20 * time.Second)
	s.railOpen = float64(d.ask(rig.Rail)) / 1e9
	d.set(rig.RelayDUT, 1)
	d.run(5 * time.Second)
	d.events = nil
	for mv := int64(3300); mv > 2000 && !s.linkLost; mv -= 5 {
		if d.b.w.dut.state == running {
			s.stoppedAt = float64(mv) / 1e3
		}
		d.set(rig.SupplySet, mv*milli)
		d.run(100 * time.Millisecond)
	}
	s.ramp = d.events
}

func edges(events []rig.Event, ch rig.ID) int {
	n := 0
	for _, ev := range events {
		if ev.Kind == rig.Edge && ev.Channel == ch {
			n++
		}
	}
	return n
}

// shortest is the width of the shortest pulse of a line.
func shortest(events []rig.Event, ch rig.ID) time.Duration {
	least := time.Hour
	var last rig.Event
	for _, ev := range events {
		if ev.Kind != rig.Edge || ev.Channel != ch {
			continue
		}
		if last.Value == 1 && ev.Value == 0 {
			least = min(least, ev.At.Sub(last.At))
		}
		last = ev
	}
	return least
}

// signs has, for every fault, what gives it away and is absent without it.
var signs = map[string]func(s story) bool{
	"stuck_quiet":    func(s story) bool { return s.latency == 0 && s.witnessed },
	"stuck_wet":      func(s story) bool { return edges(s.quiet, chDetect) == 1 && !s.cleared },
	"dead_heartbeat": func(s story) bool { return edges(s.quiet, chHeartbeat) < 70 && edges(s.quiet, chHeartbeat) > 50 },
	"slow_clock": func(s story) bool {
		n := edges(s.quiet, chHeartbeat) // every 1.5 s instead of 1 s
		return n > 190 && n < 210
	},
	"lost_settings": func(s story) bool { return s.settings == "settings period_ms=1000 level=1" },
	"false_alarms": func(s story) bool {
		return edges(s.quiet, chDetect) > 0 && shortest(s.quiet, chDetect) > 1900*time.Millisecond
	},
	"ramp_chatter": func(s story) bool {
		return edges(s.ramp, chDetect) > 10 && shortest(s.ramp, chHeartbeat) < 40*time.Millisecond
	},
	"insensitive":     func(s story) bool { return s.latency == 0 && s.witnessed && s.cleared },
	"no_release":      func(s story) bool { return edges(s.quiet, chDetect) == 0 && s.witnessed && !s.cleared },
	"glitches":        func(s story) bool { return shortest(s.quiet, chDetect) < 3*time.Millisecond },
	"slow_start":      func(s story) bool { return s.startUp > time.Second },
	"hungry_sleep":    func(s story) bool { return s.current > 0.1 },
	"uart_lies":       func(s story) bool { return s.lied },
	"hang_after_dip":  func(s story) bool { return edges(s.dip, chHeartbeat) <= 1 && s.startUp > 0 && s.railInDip < 0.1 },
	"dip_alarm":       func(s story) bool { return edges(s.dip, chDetect) == 2 },
	"high_drop_out":   func(s story) bool { return s.stoppedAt > 2.8 && s.stoppedAt < 3 },
	"late":            func(s story) bool { return s.latency > 2100*time.Millisecond },
	"blocked_nozzle":  func(s story) bool { return s.drops == 0 && len(s.interlocks) == 0 },
	"worn_tube":       func(s story) bool { return s.drops > 0 && s.drops <= 10 },
	"backfed":         func(s story) bool { return s.railOpen > 1.89 && s.railInDip > 1.89 },
	"lost_edges":      func(s story) bool { return gaps(s.quiet) > 0 && edges(s.quiet, chHeartbeat)+gaps(s.quiet) > 299 },
	"supply_link":     func(s story) bool { return s.linkLost },
	"estop_pressed":   func(s story) bool { return s.interlocks[chEStop] && edges(s.quiet, chHeartbeat) < 40 },
	"tray_full":       func(s story) bool { return s.interlocks[chTray] },
	"lid_open":        func(s story) bool { return s.interlocks[chLid] },
	"reservoir_empty": func(s story) bool { return s.interlocks[chReservoir] && s.drops == 0 },
	"slow_switch":     func(s story) bool { return s.railInDip > 3 && edges(s.dip, chHeartbeat) > 0 && s.startUp > 0 },
	"stuck_input":     func(s story) bool { return slices.Equal(s.stuck, []rig.ID{chEStop}) },
	"broken_wire":     func(s story) bool { return !s.witnessed && s.drops > 0 },
}

func gaps(events []rig.Event) int {
	n := 0
	for _, ev := range events {
		if ev.Kind == rig.Gap && ev.Channel == chHeartbeat {
			n++
		}
	}
	return n
}

// Every fault has its effect, and no other fault's where they don't overlap.
func TestFaults(t *testing.T) {
	healthy := tell(t, Default())
	for _, f := range Faults() {
		t.Run(f.Name, func(t *testing.T) {
			sign := signs[f.Name]
			if sign == nil {
				t.Fatal("nothing tells of this fault")
			}
			if sign(healthy) {
				t.Errorf("the sign shows on a healthy bench: %+v", brief(healthy))
			}
			c := Default()
			if err := c.SetFault(f.Name); err != nil {
				t.Fatal(err)
			}
			if s := tell(t, c); !sign(s) {
				t.Errorf("the fault does not show: %+v", brief(s))
			}
		})
	}
}

func brief(s story) story {
	s.quiet, s.dip, s.ramp = nil, nil, nil
	return s
}

func TestFaultNames(t *testing.T) {
	c := Default()
	if err := c.SetFault("stuck"); err == nil || !strings.Contains(err.Error(), "stuck_quiet") {
		t.Errorf("an unknown fault: %v", err)
	}
	other := c
	if err := c.SetFault("late"); err != nil {
		t.Fatal(err)
	}
	if len(other.Faults) != 0 {
		t.Error("SetFault changes a copy of the configuration")
	}
	c.Faults["late"] = Fault{Time: time.Second}
	p := readProfile(t, "testdata/conductive.yaml")
	b, err := Open(c, p.DUT, p.Model, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.w.faults.fault[late].Time; got != time.Second {
		t.Errorf("the fault's time is %v", got)
	}
	c.Faults["later"] = Fault{}
	if _, err := Open(c, p.DUT, p.Model, 1); err == nil || !strings.Contains(err.Error(), `"later"`) {
		t.Errorf("Open with an unknown fault: %v", err)
	}
	if v := Faults()[highDropOut].Default.Voltage; v != 2900*physic.MilliVolt {
		t.Errorf("high_drop_out is at %v by default", v)
	}
}
