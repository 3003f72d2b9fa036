package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/engine"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/physic"
)

// What calibrate timing finds, beside the lag of edge stamps.
const (
	ofStamps  = "stamps"
	ofGate    = "gate"
	ofWitness = "witness"
	ofSwitch  = "switch"
)

// timingFlags say what time is measured, and how.
type timingFlags struct {
	keeping
	loop                    loopWire
	of                      string
	n                       int // 0: what suits
	gate, sensor, heightU   string
	every                   string
	seed                    uint64
	gateD, sensorD, heightD physic.Distance
}

func (f *timingFlags) flags(cmd *cobra.Command) {
	f.keeping.flags(cmd)
	f.loop.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.of, "of", ofStamps, "what is measured: stamps (by a wire), gate (fall from drop gate to sensor, by heights), witness (by drops), switch (the dip switch, by the rail)")
	fl.IntVar(&f.n, "n", 0, "edges (default 1000), drops (default 20) or operations of the switch (default 20)")
	fl.StringVar(&f.gate, "gate-depth", "", "gate: `height` from the lower end of the hanging drop to the gate's beam")
	fl.StringVar(&f.sensor, "sensor-depth", "", "gate: and to the sensor")
	fl.StringVar(&f.heightU, "depth-u", "0.5 mm", "gate: standard uncertainty of each")
	fl.StringVar(&f.every, "every", "10 us", "switch: `time` between two readings of the rail")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of the virtual bench")
}

// complete fills in what no flag says, and refuses what can't be, before anything
// is moved.
func (f *timingFlags) complete() error {
	if f.of != ofStamps && f.loop.given() {
		return fmt.Errorf("--out and --in are for --of %s; expected none of them with --of %s", ofStamps, f.of)
	}
	if f.n == 0 {
		f.n = 20
		if f.of == ofStamps {
			f.n = 1000
		}
	}
	if f.of != ofStamps && (f.n < 5 || f.n > 1000) {
		return fmt.Errorf("--n %d; expected 5 to 1000 drops or operations", f.n)
	}
	switch f.of {
	case ofStamps, ofWitness:
		return nil
	case ofGate:
		for _, q := range []struct {
			flag, text string
			to         *physic.Distance
		}{{"gate-depth", f.gate, &f.gateD}, {"sensor-depth", f.sensor, &f.sensorD}, {"depth-u", f.heightU, &f.heightD}} {
			n, err := rig.ParseAs(q.text, rig.Metre)
			if err != nil {
				return fmt.Errorf("--%s: %w", q.flag, err)
			}
			*q.to = physic.Distance(n)
		}
		return nil
	case ofSwitch:
		return nil
	}
	return fmt.Errorf("--of %s; expected %s, %s, %s or %s", quote(f.of), ofStamps, ofGate, ofWitness, ofSwitch)
}

// calibrateFall measures by drops or by the rail, through the interlocks.
func calibrateFall(ctx context.Context, b *bench, f *timingFlags, t *terminal) (*calibration.Record, error) {
	if !b.isReal() && f.by == "" {
		f.by = "the virtual bench"
	}
	if f.instrument == "" {
		f.instrument = map[string]string{ofGate: "a ruler, and drops between gate and witness", ofWitness: "drops between gate and witness", ofSwitch: "this rig's rail gauge"}[f.of]
	}
	if err := f.keeping.check(map[string]string{ofGate: "drop-gate", ofWitness: "witness", ofSwitch: "switch"}[f.of]); err != nil {
		return nil, err
	}
	if err := f.ask(ctx, t); err != nil {
		return nil, err
	}
	cal := b.rig.Calibration
	var r calibration.Record
	err := b.guarded(ctx, f.of, f.seed, func(ctx context.Context, run *engine.Run, _ running) (err error) {
		if f.of == ofSwitch {
			r.Switch, err = f.operate(ctx, run, b)
			return err
		}
		var differences []time.Duration
		if f.of == ofWitness || run.Has(rig.Witness) && run.Has(rig.DropGate) {
			if differences, err = f.drip(ctx, run, b, t); err != nil {
				return err
			}
		}
		if f.of == ofWitness {
			r.Witness = &calibration.Witness{Gate: cal.Gate, Differences: differences}
			return nil
		}
		r.DropGate = &calibration.Fall{Gate: f.gateD, Sensor: f.sensorD, HeightU: f.heightD, Drop: cal.Drip.Drop, Witness: cal.Witness, Differences: differences}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return f.keep(r)
}

// drip lets drops fall on the dry sensor, and times each from gate to witness.
func (f *timingFlags) drip(ctx context.Context, run *engine.Run, b *bench, t *terminal) ([]time.Duration, error) {
	for _, name := range []string{rig.PumpDrip, rig.DropGate, rig.Witness, rig.ValveAir} {
		if !run.Has(name) {
			return nil, &answerError{fmt.Sprintf("this bench has no %s; expected drip pump, drop gate, witness and air valve for drops to be timed", name)}
		}
	}
	gate, _ := rig.Find(run.Channels(), rig.DropGate)
	witness, _ := rig.Find(run.Channels(), rig.Witness)
	cal := b.rig.Calibration.Drip
	d := dosing{run: run, cal: cal, pump: &calibration.Pump{Channel: rig.PumpDrip, Flow: cal.Asked()}, most: b.rig.Interlock.PumpOn}
	if err := t.prepare(ctx, b, "Put the sensor under the nozzle; the pump will fill its tube."); err != nil {
		return nil, err
	}
	if err := d.prime(ctx); err != nil {
		return nil, fmt.Errorf("prime: %w", err)
	}
	var all []time.Duration
	for i := range f.n {
		if err := dried(ctx, run); err != nil {
			return nil, err
		}
		var fell, wet rig.Instant
		if err := run.Set(ctx, rig.PumpDrip, rig.Of(cal.Asked())); err != nil {
			return nil, err
		}
		_, err := run.Match(ctx, dropWithin, func(ev rig.Event) bool {
			if ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1 {
				fell = ev.At
			}
			return fell != 0
		})
		if err := errors.Join(err, run.Set(ctx, rig.PumpDrip, rig.Of(rig.Flow(0)))); err != nil {
			return nil, err
		}
		_, err = run.Match(ctx, time.Second, func(ev rig.Event) bool {
			if ev.Kind == rig.Edge && ev.Channel == witness && ev.Value == 1 {
				wet = ev.At
			}
			return wet != 0
		})
		switch {
		case err != nil:
			return nil, err
		case fell == 0:
			return nil, fmt.Errorf("drop %d: no water came: none fell within %v; look at nozzle, gate and tube", i+1, dropWithin)
		case wet == 0:
			return nil, fmt.Errorf("drop %d fell through the gate, and the witness did not tell of it within a second; look whether it lies under the nozzle", i+1)
		}
		all = append(all, wet.Sub(fell))
	}
	return all, nil
}

// prepare has a person do something, where there is one.
func (t *terminal) prepare(ctx context.Context, b *bench, todo string) error {
	if !b.isReal() {
		return nil
	}
	return t.ready(ctx, todo)
}

// dried blows air until the witness is dry, and somewhat longer.
func dried(ctx context.Context, run *engine.Run) error {
	const within, longer = 5 * time.Minute, 2 * time.Second
	level := func(v int64) rig.Quantity { return rig.Quantity{N: v, Unit: rig.Level} }
	if err := run.Set(ctx, rig.ValveAir, level(1)); err != nil {
		return err
	}
	dry, err := run.Level(ctx, rig.Witness, 0, within)
	if err := errors.Join(err, run.Wait(ctx, longer), run.Set(ctx, rig.ValveAir, level(0))); err != nil {
		return err
	}
	if !dry {
		return fmt.Errorf("the witness is still wet after %v of air; look at the air valve", within)
	}
	return nil
}

// operate switches to the dip rail and back, and times each operation by the
// rail: to the last time that it passed the middle of its two levels.
func (f *timingFlags) operate(ctx context.Context, run *engine.Run, b *bench) (*calibration.Switch, error) {
	for _, name := range []string{rig.RelayDUT, rig.RelayDip, rig.SupplySet, rig.DipRail, rig.Rail} {
		if !run.Has(name) {
			return nil, &answerError{fmt.Sprintf("this bench has no %s; expected a supply, a dip rail, their switches, and a gauge of the rail", name)}
		}
	}
	every, err := rig.ParseAs(f.every, rig.Second)
	if err != nil || every <= 0 {
		return nil, &answerError{fmt.Sprintf("--every %s; expected a time above 0, such as 10 us", quote(f.every))}
	}
	high, low := b.device.Supply, b.device.Supply*4/5
	level := func(v int64) rig.Quantity { return rig.Quantity{N: v, Unit: rig.Level} }
	if err := errors.Join(run.Set(ctx, rig.SupplySet, rig.Of(high)), run.Set(ctx, rig.DipRail, rig.Of(low)), run.Set(ctx, rig.RelayDUT, level(1)), run.Wait(ctx, time.Second)); err != nil {
		return nil, err
	}
	c := &calibration.Switch{}
	s := swing{run: run, every: time.Duration(every), middle: int64(high+low) / 2}
	s.listen()
	for i := range f.n {
		to := int64(1 - i%2)
		if err := run.Set(ctx, rig.RelayDip, level(to)); err != nil {
			return nil, err
		}
		d, err := s.watch(ctx, to == 1)
		if err != nil {
			return nil, fmt.Errorf("operation %d of the dip switch: %w", i+1, err)
		}
		c.Delays, c.Apart = append(c.Delays, d), max(c.Apart, s.apart)
	}
	return c, nil
}

// swing times one operation of the dip switch.
type swing struct {
	run     *engine.Run
	every   time.Duration
	middle  int64
	ordered rig.Instant   // the latest command of the switch
	read    rig.Instant   // the latest reading
	apart   time.Duration // longest time between two readings
}

func (s *swing) listen() {
	relay, _ := rig.Find(s.run.Channels(), rig.RelayDip)
	rail, _ := rig.Find(s.run.Channels(), rig.Rail)
	s.run.OnEvent = func(ev rig.Event) {
		switch {
		case ev.Kind == rig.Command && ev.Channel == relay:
			s.ordered = ev.At
		case ev.Kind == rig.Reading && ev.Channel == rail:
			s.read = ev.At
		}
	}
}

// watch reads the rail until it has been past the middle for a while.
func (s *swing) watch(ctx context.Context, down bool) (time.Duration, error) {
	const calm, within = 20 * time.Millisecond, time.Second
	passed, last := rig.Instant(0), s.ordered
	for s.run.Now().Sub(s.ordered) < within {
		q, err := s.run.Ask(ctx, rig.Rail)
		if err != nil {
			return 0, err
		}
		if passed == 0 || s.read.Sub(passed) < calm/4 { // once it is calm, how often it is read matters no more
			s.apart = max(s.apart, s.read.Sub(last))
		}
		last = s.read
		switch there := (q.N < s.middle) == down; {
		case !there:
			passed = 0
		case passed == 0:
			passed = s.read
		case s.read.Sub(passed) >= calm:
			return passed.Sub(s.ordered), s.run.Wait(ctx, 100*time.Millisecond)
		}
		if err := s.run.Wait(ctx, s.every); err != nil {
			return 0, err
		}
	}
	return 0, fmt.Errorf("the rail has not come past %v within %v; look at the switch and the dip rail", rig.Of(physic.ElectricPotential(s.middle)), within)
}

// fallSentence is the result.
func fallSentence(r *calibration.Record) string {
	switch {
	case r.DropGate != nil:
		v := r.DropGate.Result
		s := fmt.Sprintf("A drop falls for %v from gate to sensor (u %v).", v.Fall, v.FallU)
		if n := len(r.DropGate.Differences); n > 0 {
			return s + fmt.Sprintf(" %d drops agree with that.", n)
		}
		return s + " No drop has checked that: there is no witness."
	case r.Witness != nil:
		return fmt.Sprintf("The witness tells of water %v late (u %v).", r.Witness.Result.Lag, r.Witness.Result.U)
	}
	v := r.Switch.Result
	return fmt.Sprintf("The dip switch operates in %v (u %v), and in %v at the longest: dips from %v can be made.", v.Operate, v.U, v.Longest, 5*v.Longest)
}

// printTimes prints what was timed.
func printTimes(w io.Writer, r *calibration.Record) error {
	var times []time.Duration
	switch {
	case r.DropGate != nil:
		times = r.DropGate.Differences
	case r.Witness != nil:
		times = r.Witness.Differences
	default:
		times = r.Switch.Delays
	}
	for i, d := range times {
		if _, err := fmt.Fprintf(w, "%d\t%v\n", i+1, d); err != nil {
			return err
		}
	}
	return nil
}
