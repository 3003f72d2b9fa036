// Package climate reads and regulates the humid chamber: temperature and
// humidity of its air, and the temperature of the plate under the sensor.
package climate

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Parts are what a chamber is made of; nil is what it does not have.
type Parts struct {
	Air interface {
		Read(ctx context.Context) (Air, error)
	}
	Plate interface {
		Read(ctx context.Context) (physic.Temperature, error)
	}
	Humidifier Line // raises the humidity
	Cooler     Line // lowers the plate's temperature
	Now        func() rig.Instant
}

// Chamber keeps the last readings and regulates by them. Its methods may be
// called from any goroutine and don't wait for a sensor.
type Chamber struct {
	cfg        Config
	parts      Parts
	humidifier *Regulator[physic.RelativeHumidity]
	cooler     *Regulator[physic.Temperature]

	mu       sync.Mutex
	airTemp  Reading[physic.Temperature]
	airRH    Reading[physic.RelativeHumidity]
	plate    Reading[physic.Temperature]
	airErr   error // of the last attempt to read
	plateErr error
	failed   error // of the last pass over the outputs
}

// New switches the outputs off, and reads each sensor once to see that it is
// there.
func New(ctx context.Context, cfg Config, parts Parts) (*Chamber, error) {
	for _, p := range cfg.Check() {
		return nil, fmt.Errorf("chamber: %s; expected %s", p.What, p.Want)
	}
	if parts.Now == nil || (parts.Air != nil) != (cfg.Air != nil) || (parts.Plate != nil) != (cfg.Plate != nil) ||
		(parts.Humidifier != nil) != (cfg.Humidifier != nil) || (parts.Cooler != nil) != (cfg.Cooler != nil) {
		return nil, errors.New("chamber: its parts are not those of its configuration")
	}
	c := &Chamber{cfg: cfg.withDefaults(), parts: parts}
	var err error
	if cfg.Humidifier != nil {
		c.humidifier, err = NewRegulator(ctx, parts.Humidifier, Raise, *cfg.Humidifier, c.cfg.Stale, parts.Now())
		if err != nil {
			return nil, fmt.Errorf("humidifier: %w", err)
		}
	}
	if cfg.Cooler != nil {
		c.cooler, err = NewRegulator(ctx, parts.Cooler, Lower, *cfg.Cooler, c.cfg.Stale, parts.Now())
		if err != nil {
			return nil, fmt.Errorf("plate cooler: %w", err)
		}
	}
	c.readAir(ctx)
	c.readPlate(ctx)
	return c, errors.Join(c.airErr, c.plateErr)
}

// pace is how often outputs are looked after, whatever the sensors do.
const pace = 200 * time.Millisecond

// Run reads and regulates until the context ends, and then switches off. The
// sensors have goroutines of their own: one that hangs on its bus leaves its
// reading to go stale, and the output to be switched off for it.
func (c *Chamber) Run(ctx context.Context) error {
	var all sync.WaitGroup
	defer all.Wait()
	all.Go(func() { repeat(ctx, c.cfg.Every, c.readAir) })
	all.Go(func() { repeat(ctx, c.cfg.Every, c.readPlate) })
	repeat(ctx, pace, c.regulate)
	return errors.Join(c.SetHumidity(ctx, 0), c.SetPlate(ctx, 0))
}

// repeat calls f now and then at each tick, until the context ends.
func repeat(ctx context.Context, every time.Duration, f func(context.Context)) {
	t := time.NewTicker(every)
	defer t.Stop()
	for ctx.Err() == nil {
		f(ctx)
		select {
		case <-ctx.Done():
		case <-t.C:
		}
	}
}

func (c *Chamber) readAir(ctx context.Context) {
	if c.parts.Air == nil {
		return
	}
	air, err := c.parts.Air.Read(ctx)
	at := c.parts.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.airErr = err; err == nil {
		c.airTemp = Reading[physic.Temperature]{air.Temp, at, true}
		c.airRH = Reading[physic.RelativeHumidity]{air.RH, at, true}
	}
}

func (c *Chamber) readPlate(ctx context.Context) {
	if c.parts.Plate == nil {
		return
	}
	t, err := c.parts.Plate.Read(ctx)
	at := c.parts.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.plateErr = err; err == nil {
		c.plate = Reading[physic.Temperature]{t, at, true}
	}
}

// regulate is one pass over the outputs.
func (c *Chamber) regulate(ctx context.Context) {
	c.mu.Lock()
	rh, plate := c.airRH, c.plate
	c.mu.Unlock()
	var errs []error
	if c.humidifier != nil {
		errs = append(errs, c.humidifier.Step(ctx, c.parts.Now(), rh))
	}
	if c.cooler != nil {
		errs = append(errs, c.cooler.Step(ctx, c.parts.Now(), plate))
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.failed = errors.Join(errs...)
}

// SetHumidity asks the humidifier for a relative humidity; 0 is off.
func (c *Chamber) SetHumidity(ctx context.Context, rh physic.RelativeHumidity) error {
	if c.humidifier == nil {
		return missing("humidifier", rh == 0)
	}
	if _, err := c.AirRH(); err != nil && rh != 0 {
		return fmt.Errorf("humidify: %w", err)
	}
	return c.humidifier.Set(ctx, c.parts.Now(), rh)
}

// SetPlate asks the plate's cooler for a temperature; 0 is off.
func (c *Chamber) SetPlate(ctx context.Context, t physic.Temperature) error {
	if c.cooler == nil {
		return missing("cooler", t == 0)
	}
	if _, err := c.PlateTemp(); err != nil && t != 0 {
		return fmt.Errorf("cool the plate: %w", err)
	}
	return c.cooler.Set(ctx, c.parts.Now(), t)
}

// missing is no error for what is off for ever.
func missing(what string, off bool) error {
	if off {
		return nil
	}
	return fmt.Errorf("this chamber has no %s; wire one and name it in the rig file", what)
}

// AirTemp is the last reading of the air's temperature.
func (c *Chamber) AirTemp() (physic.Temperature, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return last("air sensor", c.airTemp, c.airErr, c.parts.Now(), c.cfg.Stale)
}

// AirRH is the last reading of the air's humidity.
func (c *Chamber) AirRH() (physic.RelativeHumidity, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return last("air sensor", c.airRH, c.airErr, c.parts.Now(), c.cfg.Stale)
}

// PlateTemp is the last reading of the plate's temperature.
func (c *Chamber) PlateTemp() (physic.Temperature, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return last("plate sensor", c.plate, c.plateErr, c.parts.Now(), c.cfg.Stale)
}

// last returns a reading, unless it is stale.
func last[Q Quantity](what string, r Reading[Q], err error, now rig.Instant, stale time.Duration) (Q, error) {
	switch {
	case r.fresh(now, stale):
		return r.Value, nil
	case err != nil:
		return 0, fmt.Errorf("the %s has given nothing for %v: %w", what, stale, err)
	}
	return 0, fmt.Errorf("the %s has given nothing for %v; check its wiring and that the chamber runs", what, stale)
}

// Err tells what is wrong with an output now: an output that can't be
// switched off is for an interlock to act on.
func (c *Chamber) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.failed
}
