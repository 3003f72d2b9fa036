// Package closedloop is a test double: it plays the world behind the
// interfaces of a real bench, so that the real drivers can be tested without
// one. It runs the virtual bench's world on the kernel's clock. What the
// drivers set on lines of the kernel's gpio-sim driver goes into that world;
// what the world does to its input lines comes out there, its supplies answer
// SCPI over TCP, and its DUT prints on a pseudo-terminal.
//
// Gauges that a real bench reads over I2C, which the kernel bench does not
// have, are answered as meters over TCP.
//
// Outputs reach the world with the kernel's own stamps, so dips and doses have
// their true widths there. Inputs come late by up to a tick of the kernel's
// timer, by which gpio-sim tells of edges; two edges of a line within a tick
// merge.
package closedloop

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drench/drivers/gpio"
	"drench/drivers/virtual"
	"drench/rig"
)

// Config describes the world and how it is wired to the bench.
type Config struct {
	World  virtual.Config
	Device rig.DUT
	Model  virtual.Model
	Seed   uint64
	Wiring Wiring
}

// Wiring says which line of the simulated chip goes where, by its offset.
type Wiring struct {
	Chip   string         // its label
	Lines  map[string]int // of channels, the world's own names for them
	Relays []Relay
	Spray  StepPump
	Spare  int // an output that goes nowhere
}

// Relay is a line that switches a channel of the world between 0 and a value:
// a pump, a humidifier, a cooler.
type Relay struct {
	Line    int
	Channel string
	On      int64 // in the channel's nano unit
}

// StepPump is a pump that makes a step at each rising edge while it is
// enabled.
type StepPump struct {
	Step, Enable int
	Volume       rig.Volume // of a step
}

// Loop is a world that is running.
type Loop struct {
	cfg      Config
	start    rig.Instant // of the world, on the kernel's clock
	chip     *chip
	supplies []*rail
	console  *console
	meters   *meters
	cancel   context.CancelFunc
	tasks    sync.WaitGroup
	wake     chan struct{}

	mu     sync.Mutex // guards the rest
	world  *virtual.Bench
	ids    map[string]rig.ID
	inputs map[rig.ID]int
	steps  stepper
	failed error
}

// Start builds the world and connects it. It goes on until Close.
func Start(ctx context.Context, cfg Config) (*Loop, error) {
	l := &Loop{cfg: cfg, wake: make(chan struct{}, 1), ids: map[string]rig.ID{}, inputs: map[rig.ID]int{}, steps: stepper{pump: cfg.Wiring.Spray}}
	var err error
	if l.world, err = virtual.Open(cfg.World, cfg.Device, cfg.Model, cfg.Seed); err != nil {
		return nil, fmt.Errorf("start the closed loop: %w", err)
	}
	for i, c := range l.world.Channels() {
		l.ids[c.Name] = rig.ID(i)
	}
	if err := l.connect(ctx); err != nil {
		l.Close()
		return nil, fmt.Errorf("start the closed loop: %w", err)
	}
	return l, nil
}

func (l *Loop) connect(ctx context.Context) error {
	var err error
	if l.chip, err = openChip(ctx, l.cfg.Wiring); err != nil {
		return err
	}
	ctx, l.cancel = context.WithCancel(context.Background())
	l.start = gpio.Now()
	for _, name := range []string{rig.SupplySet, rig.DipRail} {
		r, err := newRail(ctx, l, name)
		if err != nil {
			return err
		}
		l.supplies = append(l.supplies, r)
	}
	if l.meters, err = newMeters(ctx, l); err != nil {
		return err
	}
	if l.console, err = newConsole(); err != nil {
		return err
	}
	for name, line := range l.cfg.Wiring.Lines {
		c := l.world.Channels()[l.ids[name]]
		if c.Dir != rig.Input {
			continue
		}
		l.inputs[l.ids[name]] = line
		level, err := l.world.Ask(ctx, l.ids[name])
		if err != nil {
			return err
		}
		if err := l.chip.drive(line, level); err != nil {
			return err
		}
	}
	l.tasks.Go(func() { l.run(ctx) })
	l.tasks.Go(func() { l.chip.watch(ctx, l.nudge) })
	return nil
}

// run looks after the world whenever it has an event of its own, or something
// was set.
func (l *Loop) run(ctx context.Context) {
	t := time.NewTimer(0)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		case <-l.wake:
		}
		l.mu.Lock()
		if err := l.advance(ctx); err != nil && ctx.Err() == nil && l.failed == nil {
			l.failed = err
		}
		t.Reset(l.rest())
		l.mu.Unlock()
	}
}

const (
	// stepsEvery is how often a pump that makes steps is looked after: that they
	// have ended is told by nothing.
	stepsEvery = 20 * time.Millisecond
	// leastRest keeps an event that is due from being waited for for no time,
	// for ever: the kernel's time stands still meanwhile.
	leastRest = 100 * time.Microsecond
)

// rest is how long the world needs no looking after. Callers hold mu.
func (l *Loop) rest() time.Duration {
	longest := every
	if l.steps.flow != 0 {
		longest = stepsEvery
	}
	next := l.world.Next()
	if next == rig.Never {
		return longest
	}
	return min(longest, max(next.Sub(gpio.Now()-l.start), leastRest))
}

// nudge has the world looked after now.
func (l *Loop) nudge() {
	select {
	case l.wake <- struct{}{}:
	default: // it will be
	}
}

// advance brings the world up to now: what was set on lines takes effect at
// the kernel's stamps, then what the supplies were told. Callers hold mu.
func (l *Loop) advance(ctx context.Context) error {
	now := gpio.Now()
	changes, err := l.chip.changes(now)
	for _, c := range changes {
		err = errors.Join(err, l.await(ctx, c.at), l.apply(ctx, c))
	}
	err = errors.Join(err, l.await(ctx, now))
	if flow, changed := l.steps.idle(now); changed {
		err = errors.Join(err, l.set(ctx, rig.PumpSpray, int64(flow)))
	}
	for _, r := range l.supplies {
		err = errors.Join(err, r.follow(ctx))
	}
	return err
}

// await runs the world up to an instant of the kernel's clock.
func (l *Loop) await(ctx context.Context, until rig.Instant) error {
	for {
		ev, ok, err := l.world.Await(ctx, until-l.start)
		if err != nil || !ok {
			return err
		}
		switch ev.Kind {
		case rig.Line:
			l.console.print(ev.Text)
		case rig.Edge, rig.Gap: // a gap is an edge that the world's own wires lost
			level, err := l.world.Ask(ctx, ev.Channel)
			if err != nil {
				return err
			}
			if err := l.chip.drive(l.inputs[ev.Channel], level); err != nil {
				return err
			}
		}
	}
}

// apply has a change of an output take effect.
func (l *Loop) apply(ctx context.Context, c change) error {
	w := l.cfg.Wiring
	for _, r := range w.Relays {
		if r.Line == c.line {
			return l.set(ctx, r.Channel, c.level*r.On)
		}
	}
	if c.line == w.Spray.Step || c.line == w.Spray.Enable {
		if flow, changed := l.steps.take(c); changed {
			return l.set(ctx, rig.PumpSpray, int64(flow))
		}
		return nil
	}
	for name, line := range w.Lines {
		if line == c.line && l.world.Channels()[l.ids[name]].Dir == rig.Output {
			return l.set(ctx, name, c.level)
		}
	}
	return nil
}

// set has an output of the world take a value; what the world will do of its own
// is another thing then.
func (l *Loop) set(ctx context.Context, name string, v int64) error {
	l.nudge()
	_, err := l.world.Set(ctx, l.ids[name], v)
	return err
}

// ask reads a gauge of the world now.
func (l *Loop) ask(ctx context.Context, name string) (int64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.advance(ctx); err != nil {
		return 0, err
	}
	return l.world.Ask(ctx, l.ids[name])
}

// Energised lists the outputs of the world that are energised now.
func (l *Loop) Energised() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.world.Energised()
}

// On tells whether the world's output is on now, whatever it was told last.
func (l *Loop) On(name string) (bool, error) {
	v, err := l.ask(context.Background(), name)
	return v != 0, err
}

// Err is why the loop no longer follows, or nil.
func (l *Loop) Err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.failed
}

// Close ends the world and takes it off the lines.
func (l *Loop) Close() error {
	if l.cancel != nil {
		l.cancel()
	}
	for _, r := range l.supplies {
		r.close()
	}
	if l.meters != nil {
		l.meters.close()
	}
	l.tasks.Wait()
	var errs []error
	if l.console != nil {
		errs = append(errs, l.console.close())
	}
	if l.chip != nil {
		errs = append(errs, l.chip.close())
	}
	return errors.Join(append(errs, l.world.Close())...)
}

// stepper turns steps into a flow.
type stepper struct {
	pump    StepPump
	enabled bool
	last    rig.Instant // of a step
	period  time.Duration
	flow    rig.Flow
}

// take follows a change of one of its lines; changed tells of another flow.
func (s *stepper) take(c change) (flow rig.Flow, changed bool) {
	switch {
	case c.line == s.pump.Enable:
		s.enabled = c.level == 1
		if !s.enabled {
			s.last, s.period = 0, 0
			return s.become(0)
		}
	case c.level == 1 && s.enabled:
		if s.last != 0 {
			s.period = c.at.Sub(s.last)
		}
		s.last = c.at
		if s.period > 0 {
			return s.become(rig.Flow(float64(s.pump.Volume) * float64(time.Minute) / float64(s.period)))
		}
	}
	return s.flow, false
}

// idle ends the flow when steps stay away.
func (s *stepper) idle(now rig.Instant) (flow rig.Flow, changed bool) {
	if s.flow == 0 || now.Sub(s.last) < 4*s.period {
		return s.flow, false
	}
	return s.become(0)
}

// become takes a new flow, unless it differs by no more than steps jitter.
func (s *stepper) become(flow rig.Flow) (rig.Flow, bool) {
	if d := max(flow-s.flow, s.flow-flow); d <= s.flow/50 && flow != 0 || d == 0 {
		return s.flow, false
	}
	s.flow = flow
	return flow, true
}
