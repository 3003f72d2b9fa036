package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"drench/drivers/virtual"
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
}

// do primes, throws away the first dose, which air makes short, and weighs the
// others. Times alternate, so that a drift is in all of them.
func (d *dosing) do(ctx context.Context) error {
	if !d.run.Has(d.pump.Channel) {
		return &answerError{fmt.Sprintf("this bench has no %s; expected a rig file with that pump, or another --channel", d.pump.Channel)}
	}
	if err := d.scale.tare(ctx, "Put a vessel under the nozzle; the pump will fill its tube."); err != nil {
		return err
	}
	if err := d.prime(ctx); err != nil {
		return fmt.Errorf("prime: %w", err)
	}
	if _, err := d.dose(ctx, d.times[0]); err != nil {
		return err
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
