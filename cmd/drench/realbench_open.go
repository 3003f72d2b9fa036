package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"sync"
	"time"

	"drench/drivers/climate"
	"drench/drivers/gpio"
	"drench/drivers/power"
	"drench/drivers/pump"
	"drench/rig"
	"drench/rig/assembly"
	"drench/rig/config"

	periph "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/host/v3/sysfs"
)

// opener opens a real bench part by part.
type opener struct {
	cfg     *realConfig
	rig     *config.Loaded
	device  rig.DUT
	table   []rig.Channel
	set     map[string]assembly.Setter
	read    map[string]assembly.Reader
	wire    map[string]time.Duration // of channels that wait on wires: the oldest that a reading may be
	sources []assembly.NamedSource
	opened  []io.Closer
	bank    *gpio.Bank
	drives  map[string]rig.ID // of lines that are no channels
	notes   []string          // for the timeline: what was found
}

// openReal opens a real bench. On an error everything that was opened is
// closed again.
func openReal(ctx context.Context, cfg *realConfig, l *config.Loaded, device rig.DUT) (*assembly.Bench, error) {
	o := &opener{cfg: cfg, rig: l, device: device, table: cfg.table(),
		set: map[string]assembly.Setter{}, read: map[string]assembly.Reader{}, wire: map[string]time.Duration{}, drives: map[string]rig.ID{}}
	b, err := o.open(ctx)
	if err != nil {
		for _, c := range slices.Backward(o.opened) {
			err = errors.Join(err, c.Close())
		}
		return nil, fmt.Errorf("open the bench %s: %w", l.Name, err)
	}
	return b, nil
}

func (o *opener) open(ctx context.Context) (*assembly.Bench, error) {
	o.notes = append(o.notes, clockNote())
	for _, step := range []func(context.Context) error{
		o.openLines, o.openPumps, o.openPower, o.openMeters, o.openClimate, o.openSupplies, o.openUART,
	} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	p := assembly.Parts{Now: gpio.Now, Close: o.opened, Sources: append(o.sources, o.provenance(), watchClock())}
	for _, c := range o.table {
		p.Channels = append(p.Channels, assembly.Channel{Channel: c, Set: o.set[c.Name], Read: o.read[c.Name], Wire: o.wire[c.Name]})
	}
	return assembly.New(p)
}

// provenance gives the notes as the first events.
func (o *opener) provenance() assembly.NamedSource {
	left := o.notes
	return assembly.NamedSource{Name: "notes", Source: assembly.SourceFunc(func(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
		if len(left) == 0 {
			<-ctx.Done()
			return rig.Event{}, false, ctx.Err()
		}
		text := left[0]
		left = left[1:]
		return rig.Event{At: gpio.Now(), Kind: rig.Note, Text: text}, true, nil
	})}
}

// id is a channel's.
func (o *opener) id(name string) rig.ID {
	id, _ := rig.Find(o.table, name)
	return id
}

// openLines requests all GPIO lines at once.
func (o *opener) openLines(ctx context.Context) error {
	var lines []gpio.Line
	for name, l := range o.cfg.Lines.channels() {
		if l == nil {
			continue
		}
		r, _ := role(name)
		line := l.request(name, o.id(name), r.Dir)
		if name == rig.Detect && o.device.Detect.ActiveLow {
			line.ActiveLow = !line.ActiveLow
		}
		lines = append(lines, line)
	}
	for name, l := range o.cfg.Lines.Drives {
		id := rig.ID(len(o.table) + len(o.drives))
		o.drives[name] = id
		lines = append(lines, l.request(name, id, rig.Output))
	}
	if len(lines) == 0 {
		return nil
	}
	slices.SortFunc(lines, func(a, b gpio.Line) int { return int(a.ID) - int(b.ID) })
	bank, err := gpio.Open(ctx, lines)
	if err != nil {
		return err
	}
	o.bank = bank
	o.opened = append(o.opened, bank)
	o.sources = append(o.sources, assembly.NamedSource{Name: "the GPIO lines", Source: bank})
	for _, r := range bank.Resolved() {
		o.notes = append(o.notes, fmt.Sprintf("wiring: %s is %v", r.Channel, r))
	}
	for _, l := range lines {
		if l.Dir == rig.Input {
			o.read[l.Channel] = assembly.ReaderFunc(func(context.Context) (int64, error) {
				level, err := bank.Level(l.ID)
				return levelOf(level), err
			})
		} else if _, isRole := role(l.Channel); isRole {
			o.set[l.Channel] = assembly.SetterFunc(func(_ context.Context, v int64) (rig.Instant, error) {
				at, err := bank.Set(l.ID, v != 0)
				return at.At(), err
			})
		}
	}
	return nil
}

// obeyed sets by what gives no stamp: the instant is the one at which it has
// obeyed.
type obeyed func(context.Context, int64) error

func (f obeyed) Set(ctx context.Context, v int64) (rig.Instant, error) {
	err := f(ctx, v)
	return gpio.Now(), err
}

func levelOf(l periph.Level) int64 {
	if l {
		return 1
	}
	return 0
}

// request is the line as the GPIO driver wants it.
func (l lineConfig) request(channel string, id rig.ID, dir rig.Direction) gpio.Line {
	g := gpio.Line{ID: id, Channel: channel, Name: l.Line, Chip: l.Chip, Dir: dir, ActiveLow: l.ActiveLow, Bias: biases[l.Bias]}
	if l.Offset != nil {
		g.Offset = *l.Offset
	}
	return g
}

// drive is an output that is no channel.
type drive struct {
	bank *gpio.Bank
	id   rig.ID
}

func (d drive) Set(_ context.Context, level bool) error {
	_, err := d.bank.Set(d.id, periph.Level(level))
	return err
}

// driven returns the drive of a name, or nil for "".
func (o *opener) driven(name string) pump.Line {
	if name == "" {
		return nil
	}
	return drive{o.bank, o.drives[name]}
}

// flowing is a pump of any kind.
type flowing interface {
	Set(context.Context, rig.Flow) error
	io.Closer
}

func (o *opener) openPumps(ctx context.Context) error {
	for name, cfg := range o.cfg.pumps() {
		p, err := o.openPump(ctx, cfg)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		o.opened = append(o.opened, p)
		o.set[name] = obeyed(func(ctx context.Context, v int64) error { return p.Set(ctx, rig.Flow(v)) })
	}
	return nil
}

func (o *opener) openPump(ctx context.Context, cfg pump.Config) (flowing, error) {
	switch {
	case cfg.Relay != nil:
		return pump.NewRelay(ctx, o.driven(cfg.Relay.Line), *cfg.Relay)
	case cfg.PWM != nil:
		return pump.OpenPWM(ctx, pump.Sysfs, *cfg.PWM)
	}
	s := *cfg.Stepper
	return pump.NewStepper(ctx, pump.Lines{Step: o.driven(s.Step), Dir: o.driven(s.Dir), Enable: o.driven(s.Enable)}, s)
}

// openBus opens an I2C bus by its number. Other parts of periph's host package
// are left alone: they would take over the GPIO lines.
func (o *opener) openBus(name string) (i2c.Bus, error) {
	n, err := strconv.Atoi(name)
	if err != nil {
		return nil, fmt.Errorf("I2C bus is %q; expected its number, such as \"1\" for /dev/i2c-1", name)
	}
	bus, err := sysfs.NewI2C(n)
	if err != nil {
		return nil, fmt.Errorf("open I2C bus %d: %w; is I2C switched on, and is the user in the group that owns /dev/i2c-%d?", n, err, n)
	}
	o.opened = append(o.opened, bus)
	return bus, nil
}

// task is what runs beside the bench until it is closed.
type task struct {
	cancel context.CancelFunc
	done   sync.WaitGroup
}

func (t *task) Close() error {
	t.cancel()
	t.done.Wait()
	return nil
}

// run has f run until the bench is closed.
func (o *opener) run(f func(context.Context)) {
	ctx, cancel := context.WithCancel(context.Background())
	t := &task{cancel: cancel}
	t.done.Go(func() { f(ctx) })
	o.opened = append(o.opened, t)
}

// gauge makes a reader of a driver's method.
func gauge[Q ~int64 | ~int32](read func() (Q, error)) assembly.Reader {
	return assembly.ReaderFunc(func(context.Context) (int64, error) {
		v, err := read()
		return int64(v), err
	})
}

func (o *opener) openPower(ctx context.Context) error {
	if !given(&o.cfg.Power) {
		return nil
	}
	cfg := power.Config(o.cfg.Power)
	bus, err := o.openBus(cfg.Bus)
	if err != nil {
		return fmt.Errorf("power monitor: %w", err)
	}
	m, err := power.Open(ctx, bus, cfg, gpio.Now)
	if err != nil {
		return err
	}
	o.run(m.Run)
	o.read[rig.Rail], o.read[rig.DUTCurrent], o.read[rig.DUTEnergy] = gauge(m.Rail), gauge(m.Current), gauge(m.Energy)
	return nil
}

func (o *opener) openClimate(ctx context.Context) error {
	if !given(&o.cfg.Climate) {
		return nil
	}
	cfg := o.cfg.climate()
	parts := climate.Parts{Now: gpio.Now}
	if err := o.sense(cfg, &parts); err != nil {
		return err
	}
	if h := cfg.Humidifier; h != nil {
		parts.Humidifier = o.driven(h.Line)
	}
	if c := cfg.Cooler; c != nil {
		parts.Cooler = o.driven(c.Line)
	}
	c, err := climate.New(ctx, cfg, parts)
	if err != nil {
		return err
	}
	o.run(func(ctx context.Context) { _ = c.Run(ctx) }) // the bench has set both outputs to 0 before it ends
	if o.cfg.Climate.Air != nil {
		o.read[rig.AirTemp], o.read[rig.AirRH] = gauge(c.AirTemp), gauge(c.AirRH)
	}
	if o.cfg.Climate.Plate != nil {
		o.read[rig.PlateTemp] = gauge(c.PlateTemp)
	}
	o.set[rig.Humidity] = obeyed(func(ctx context.Context, v int64) error { return c.SetHumidity(ctx, physic.RelativeHumidity(v)) })
	o.set[rig.Plate] = obeyed(func(ctx context.Context, v int64) error { return c.SetPlate(ctx, physic.Temperature(v)) })
	return nil
}

// sense finds the chamber's sensors: on the bus, or meters in their place.
func (o *opener) sense(cfg climate.Config, parts *climate.Parts) error {
	own := o.cfg.Climate
	var bus i2c.Bus
	var err error
	if own.Air != nil || own.Plate != nil {
		if bus, err = o.openBus(own.Bus); err != nil {
			return fmt.Errorf("chamber: %w", err)
		}
	}
	switch {
	case own.Air != nil:
		parts.Air, err = climate.NewAirSensor(bus, *own.Air)
	case cfg.Air != nil:
		parts.Air = airMeters{o.read[rig.AirTemp], o.read[rig.AirRH]}
	}
	if err != nil {
		return err
	}
	switch {
	case own.Plate != nil:
		parts.Plate, err = climate.NewPlateSensor(bus, *own.Plate)
	case cfg.Plate != nil:
		parts.Plate = plateMeter{o.read[rig.PlateTemp]}
	}
	return err
}

// airMeters and plateMeter are meters in place of the chamber's own sensors.
type (
	airMeters  struct{ temp, rh assembly.Reader }
	plateMeter struct{ assembly.Reader }
)

func (m airMeters) Read(ctx context.Context) (climate.Air, error) {
	t, err := m.temp.Read(ctx)
	if err != nil {
		return climate.Air{}, err
	}
	rh, err := m.rh.Read(ctx)
	return climate.Air{Temp: physic.Temperature(t), RH: physic.RelativeHumidity(rh)}, err
}

func (m plateMeter) Read(ctx context.Context) (physic.Temperature, error) {
	t, err := m.Reader.Read(ctx)
	return physic.Temperature(t), err
}
