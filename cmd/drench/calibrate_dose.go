package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"drench/drivers/virtual"
	"drench/results/stats"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/engine"
	"drench/rig/portable"
)

const (
	// primeOnce is how long the pump runs in one go while the tube fills.
	primeOnce = 15 * time.Second
	// lastDrop is how long a drop may hang after the pump has stopped (common
	// practice, no source).
	lastDrop = 2 * time.Second
)

// scale weighs what a dose has left in the beaker.
type scale interface {
	// tare is called before a dose, with what it is for.
	tare(ctx context.Context, what string) error
	// weigh gives the net mass of the dose.
	weigh(ctx context.Context) (calibration.Milligram, error)
}

// dosing is a pump's calibration on a bench.
type dosing struct {
	run   *engine.Run
	cal   rig.DripCal
	pump  *calibration.Pump
	times []time.Duration
	n     int // doses of each time
	scale scale
	most  time.Duration // that the pump may run in one go

	whole  rig.Calibration // the rig file's
	starts int             // doses of one drop, 0: the lag is not measured
	empty  bool            // the tube is, at first
	filled time.Duration   // that the pump has run until the first drop
	seen   bool            // that drop
	on     rig.Instant     // of the pump's last command that turned it on
	first  rig.Instant     // of the first drop after it, 0 before
	drop   rig.Instant     // of the last one
	apart  []float64       // times between drops while the pump ran on, ns
}

// do primes, throws away the first dose, which air makes short, and weighs the
// others. Times alternate, so that a drift is in all of them.
func (d *dosing) do(ctx context.Context) error {
	if !d.run.Has(d.pump.Channel) {
		return &answerError{fmt.Sprintf("this bench has no %s; expected a rig file with that pump, or another --channel", d.pump.Channel)}
	}
	d.listen()
	if err := d.scale.tare(ctx, "Put a vessel under the nozzle; the pump will fill its tube."); err != nil {
		return err
	}
	if err := d.prime(ctx); err != nil {
		return fmt.Errorf("prime: %w", err)
	}
	if _, err := d.dose(ctx, d.times[0]); err != nil {
		return err
	}
	if err := d.start(ctx); err != nil {
		return fmt.Errorf("find the pump's lag: %w", err)
	}
	for i := range d.n {
		for _, on := range d.times {
			what := fmt.Sprintf("Dose %d of %d, %v: put the tared beaker under the nozzle.", len(d.pump.Weighings)+1, d.n*len(d.times), on)
			if err := d.scale.tare(ctx, what); err != nil {
				return err
			}
			drops, err := d.dose(ctx, on)
			if err != nil {
				return err
			}
			mass, err := d.scale.weigh(ctx)
			if err != nil {
				return fmt.Errorf("dose %d: %w", i+1, err)
			}
			d.pump.Weighings = append(d.pump.Weighings, calibration.Weighing{On: on, Mass: mass, Drops: drops})
		}
	}
	return nil
}

// listen has the pump's commands and the gate's edges noted, with the stamps
// that a run records.
func (d *dosing) listen() {
	pump, _ := rig.Find(d.run.Channels(), d.pump.Channel)
	gate, gated := rig.Find(d.run.Channels(), rig.DropGate)
	d.run.OnEvent = func(ev rig.Event) {
		switch {
		case ev.Kind == rig.Command && ev.Channel == pump && ev.Value != 0:
			d.on, d.first = ev.At, 0
		case ev.Kind == rig.Command && ev.Channel == pump && d.on != 0:
			if !d.seen {
				d.filled += ev.At.Sub(d.on)
			}
			d.on = 0
		case gated && ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1 && d.on != 0:
			d.fell(ev.At)
		}
	}
}

// fell notes a drop while the pump runs.
func (d *dosing) fell(at rig.Instant) {
	if d.first == 0 {
		d.first = at
	} else {
		d.apart = append(d.apart, float64(at.Sub(d.drop)))
	}
	if d.drop = at; !d.seen {
		d.filled += at.Sub(d.on)
		d.seen = true
	}
}

// dropWithin is how long the pump may run for one drop, pauseAfter how long it
// rests after it.
const (
	dropWithin = 5 * time.Second
	pauseAfter = 5 * time.Second
)

// start gives doses of one drop as scenarios do: the pump is stopped when the
// gate has seen it. The first follows another kind of dose, and does not count.
func (d *dosing) start(ctx context.Context) error {
	gate, ok := rig.Find(d.run.Channels(), rig.DropGate)
	if !ok || d.starts == 0 || d.pump.Channel != rig.PumpDrip || d.whole.Gate.FallU <= 0 {
		return nil
	}
	s := &calibration.Starts{Stamp: d.whole.Stamp, Gate: d.whole.Gate}
	if apart, err := stats.Summarize(d.apart); err == nil && d.empty && d.seen {
		s.Fill, s.Unsteady = d.filled, apart.SD/apart.Mean
	}
	for i := range d.starts + 1 {
		if err := d.run.Set(ctx, rig.PumpDrip, rig.Of(d.pump.Flow)); err != nil {
			return err
		}
		began := d.on
		fell, err := d.run.Match(ctx, min(dropWithin, d.most/2), func(ev rig.Event) bool {
			return ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1
		})
		delay := d.first.Sub(began)
		if err := errors.Join(err, d.run.Set(ctx, rig.PumpDrip, rig.Of(rig.Flow(0))), d.run.Wait(ctx, pauseAfter)); err != nil {
			return err
		}
		if !fell {
			return fmt.Errorf("no water came: no drop fell within %v; look at nozzle, gate and tube", dropWithin)
		}
		if i > 0 {
			s.Delays = append(s.Delays, delay)
		}
	}
	d.pump.Starts = s
	return nil
}

// prime fills the tube: twice its volume, in goes that the interlocks allow.
func (d *dosing) prime(ctx context.Context) error {
	volume := 2*d.cal.LineVolume + 10*d.cal.Drop
	whole := time.Duration(float64(volume) / float64(d.pump.Flow) * float64(time.Minute))
	once := min(primeOnce, d.most/2)
	for done := time.Duration(0); done < whole; done += once {
		if _, err := d.dose(ctx, min(once, whole-done)); err != nil {
			return err
		}
	}
	return nil
}

// dose runs the pump for a time, waits for the last drop, and counts drops if
// there is a gate under the nozzle.
func (d *dosing) dose(ctx context.Context, on time.Duration) (drops int, err error) {
	gate, counted := rig.Find(d.run.Channels(), rig.DropGate)
	counted = counted && d.pump.Channel == rig.PumpDrip
	count := func(ev rig.Event) bool {
		if counted && ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1 {
			drops++
		}
		return false
	}
	if err := d.run.Set(ctx, d.pump.Channel, rig.Of(d.pump.Flow)); err != nil {
		return 0, err
	}
	_, err = d.run.Match(ctx, on, count)
	if err := errors.Join(err, d.run.Set(ctx, d.pump.Channel, rig.Of(rig.Flow(0)))); err != nil {
		return 0, err
	}
	_, err = d.run.Match(ctx, lastDrop, count)
	return drops, err
}

// handScale has a person weigh.
type handScale struct{ t *terminal }

func (s *handScale) tare(ctx context.Context, what string) error { return s.t.ready(ctx, what) }

func (s *handScale) weigh(ctx context.Context) (m calibration.Milligram, err error) {
	err = s.t.ask(ctx, "Net mass in mg?", func(text string) (err error) {
		m, err = parseMass(text)
		return err
	})
	return m, err
}

// simulatedScale weighs what landed on the virtual bench's sensor as a balance
// with the given uncertainty would, in the air that the record states.
type simulatedScale struct {
	world *virtual.Bench
	z     float64 // µl/mg
	u     float64 // mg
	rnd   *portable.Rand
	had   rig.Volume
}

func newSimulatedScale(world *virtual.Bench, p *calibration.Pump, seed uint64) (*simulatedScale, error) {
	z, _, err := p.Air.Z()
	return &simulatedScale{world: world, z: z, u: float64(p.Balance.U), rnd: portable.NewRand(seed).Split("balance")}, err
}

// landed is all the water that has come down.
func (s *simulatedScale) landed() rig.Volume {
	var v rig.Volume
	for _, w := range s.world.Truth() {
		v += w.Volume
	}
	return v
}

func (s *simulatedScale) tare(context.Context, string) error {
	s.had = s.landed()
	return nil
}

// weigh reads to a tenth of a milligram.
func (s *simulatedScale) weigh(context.Context) (calibration.Milligram, error) {
	m := float64(s.landed()-s.had)/1e3/s.z + s.rnd.Normal(0, s.u)
	if m = math.Round(m*10) / 10; m <= 0 {
		return 0, fmt.Errorf("the balance shows %.1f mg: no water came; look at nozzle, tube and reservoir", m)
	}
	return calibration.Milligram(m), nil
}
